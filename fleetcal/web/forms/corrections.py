from django import forms


class WithdrawForm(forms.Form):
    reason = forms.CharField(
        label="Reason",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It is shown wherever this record was shown, for as long as the ledger is kept.",
    )
