"""The framework's admin, for accounts and their recovery only. Every change goes through the service, so the ledger has it."""

from typing import Any, cast

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.forms import ModelForm
from django.http import HttpRequest, HttpResponse

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.accounts.services import save_account

admin.site.site_header = admin.site.site_title = "fleetcal accounts"
admin.site.index_title = "Accounts and recovery"
# Rights come from the role alone.
admin.site.unregister(Group)


@admin.register(User)
class AccountAdmin(UserAdmin):
    list_display = ["username", "first_name", "last_name", "role", "all_depots", "is_active"]
    list_filter = ["role", "is_active", "all_depots"]
    filter_horizontal = []
    fieldsets = [
        (None, {"fields": ["username", "password"]}),
        ("Person", {"fields": ["first_name", "last_name", "email", "unit", "time_zone"]}),
        ("Rights", {"fields": ["role", "all_depots", "is_active", "is_staff", "is_superuser"]}),
    ]
    add_fieldsets = [
        (None, {"fields": ["username", "usable_password", "password1", "password2"]}),
        ("Rights", {"fields": ["role", "all_depots"]}),
    ]

    def save_model(self, request: HttpRequest, obj: Any, form: ModelForm, change: bool) -> None:
        save_account(obj, actor=cast(User, request.user), what="changed" if change else "created")

    def user_change_password(self, request: HttpRequest, id: str, form_url: str = "") -> HttpResponse:  # noqa: A002 - Django's name
        response = super().user_change_password(request, id, form_url)
        if request.method == "POST" and response.status_code == 302:
            changed = cast(User, self.get_object(request, id))
            save_account(changed, actor=cast(User, request.user), what="password changed")
        return response

    # The role decides here too, not the framework's permissions, which nothing grants. To be let in at all takes `is_staff`.
    def has_module_permission(self, request: HttpRequest) -> bool:
        return isinstance(request.user, User) and request.user.may(Capability.MANAGE_ACCOUNTS)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return self.has_module_permission(request)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return self.has_module_permission(request)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return self.has_module_permission(request)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        # Records name the person who made them; an account that is no longer used is made inactive.
        return False
