"""From a form to a service: a refusal comes back beside the field that it names."""

from collections.abc import Callable
from typing import TypeVar

from django import forms

from fleetcal.ledger.refusals import Refused

Result = TypeVar("Result")


def attempt(form: forms.BaseForm, act: Callable[[], Result]) -> Result | None:
    """What *act* gives, or None with its refusal among the errors of *form*."""
    try:
        return act()
    except Refused as refusal:
        form.add_error(refusal.field if refusal.field in form.fields else None, str(refusal))
        return None
