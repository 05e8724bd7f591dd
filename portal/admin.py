"""The admin: where whoever runs a portal for several firms looks after them and their logins. The rest has pages."""

from __future__ import annotations

from django.contrib import admin
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from portal.models import Business, Membership, User


def _one_login(request: HttpRequest, extra_context: object = None) -> HttpResponse:
    """There is one log-in, with its second step: the admin's own form, which knows none, is never shown nor taken."""
    if admin.site.has_permission(request):
        return redirect("admin:index")
    return redirect_to_login(reverse("admin:index"), reverse("account_login"))


admin.site.login = _one_login  # type: ignore[method-assign]


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
