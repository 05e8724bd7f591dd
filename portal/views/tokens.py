"""Tokens for scripts: a page to make one, see it once, and revoke it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from portal.actions.tokens import LONGEST_LIFE, make_token, revoke_token
from portal.models import Business, Customer, Meter, Scope, Site, Token, User
from portal.views.guard import asks_again

TOKENS_LISTED = 500


class TokenForm(forms.Form):
    """A token for a whole business, or for one site."""

    name = forms.CharField(
        max_length=80,
        label=gettext_lazy("What will use it"),
        help_text=gettext_lazy("The office computer, the data logger …"),
    )
    opens = forms.ChoiceField(label=gettext_lazy("It opens"))
    scope = forms.ChoiceField(label=gettext_lazy("It may"), choices=Scope.choices, initial=Scope.SEND)
    days = forms.IntegerField(
        label=gettext_lazy("For how many days"), min_value=1, max_value=LONGEST_LIFE.days, initial=LONGEST_LIFE.days
    )

    def __init__(self, user: User, data: Any = None) -> None:
        super().__init__(data)
        self.businesses = {_("business {pk}").format(pk=one.pk): one for one in Business.objects.managed_by(user)}
        sites = Site.objects.fed_by(user).select_related("customer")
        self.sites = {_("site {pk}").format(pk=one.pk): one for one in sites[:TOKENS_LISTED]}
        field = self.fields["opens"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [
            *((key, _("every roof of {one}").format(one=one)) for key, one in self.businesses.items()),
            *((key, str(one)) for key, one in self.sites.items()),
        ]


@login_required
@never_cache
@asks_again
def tokens(request: HttpRequest) -> HttpResponse:
    """List tokens, and make one: its secret is in this one answer and nowhere else."""
    user = cast(User, request.user)
    if not (Business.objects.managed_by(user).exists() or Customer.objects.filter(user=user).exists()):
        raise PermissionDenied
    form, secret = TokenForm(user, request.POST or None), ""
    if request.method == "POST" and form.is_valid():
        opens = form.cleaned_data["opens"]
        _, secret = make_token(
            name=form.cleaned_data["name"],
            created_by=user,
            now=timezone.now(),
            business=form.businesses.get(opens),
            site=form.sites.get(opens),
            scope=Scope(form.cleaned_data["scope"]),
            lasts=timedelta(days=form.cleaned_data["days"]),
        )
        form = TokenForm(user)
    mine = Token.objects.visible_to(user).select_related("business", "site__customer", "created_by")
    meters = Meter.objects.fed_by(user).select_related("site__customer").order_by("site__customer__name", "pk")
    return render(
        request,
        "imports/tokens.html",
        {
            "form": form,
            "secret": secret,
            "tokens": mine,
            "meters": meters[:TOKENS_LISTED],
            "listed": TOKENS_LISTED,
            "now": timezone.now(),
        },
    )


@login_required
@require_POST
def token_revoke(request: HttpRequest, pk: int) -> HttpResponse:
    token = get_object_or_404(Token.objects.visible_to(cast(User, request.user)), pk=pk)
    revoke_token(token=token, by=cast(User, request.user), now=timezone.now())
    messages.success(request, _("“{name}” opens nothing any more.").format(name=token.name))
    return redirect("tokens")
