"""The admin: where whoever runs a portal for several firms looks after them and their logins. The rest has pages."""

from __future__ import annotations

from allauth.account.decorators import secure_admin_login
from django.contrib import admin

from portal.models import Business, Membership, User

admin.site.login = secure_admin_login(admin.site.login)  # type: ignore[method-assign]  # allauth's way: one log-in


class MembershipInline(admin.TabularInline):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    model = Membership
    autocomplete_fields = ("user",)
    extra = 1


@admin.register(Business)
class BusinessAdmin(admin.ModelAdmin):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    list_display = ("name", "email", "tz", "invented")
    prepopulated_fields = {"slug": ("name",)}
    inlines = (MembershipInline,)


@admin.register(User)
class UserAdmin(admin.ModelAdmin):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    """People; a password is set by mail, never here."""

    list_display = ("email", "name", "is_staff")
    search_fields = ("email", "name")
    fields = ("email", "name", "language", "is_active", "is_staff", "is_superuser")
