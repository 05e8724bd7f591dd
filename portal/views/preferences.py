"""Leaving and choosing mails without a login, by the signed link every mail carries; and what mail services report."""

from __future__ import annotations

from typing import Any

from anymail.signals import AnymailTrackingEvent, tracking
from django import forms
from django.dispatch import receiver
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt

from portal.actions.mail.letter import Audience
from portal.actions.mail.recipient import read_token
from portal.actions.mail.stops import allow_mail, choose_mails, record_bounce, stop_mail
from portal.actions.reminders.kinds import KINDS, kinds_for
from portal.models import Business, Customer, MailStop, Preference, User
from portal.views.linked import linked_page


def _who(token: str) -> tuple[Customer | User, Business]:
    found = read_token(token)
    if found is None:
        raise Http404
    return found


@csrf_exempt  # RFC 8058: a mail program posts here without cookie or form; the signed token says who asks
@never_cache
def mail_stop(request: HttpRequest, token: str) -> HttpResponse:
    """A POST stops the mails at once; a GET shows a button, since mail scanners follow every link."""
    who, business = _who(token)
    stopped = request.method == "POST"
    context = {"firm": business, "email": who.email, "token": token, "stopped": stopped}
    if request.method == "POST":
        stop_mail(email=who.email, business=business, why="unsubscribed", now=timezone.now())
    return linked_page(request, "mail/stop.html", context, firm=business, language=who.language)


class ChoiceForm(forms.Form):
    """One tick a kind of mail."""

    def __init__(self, who: Customer | User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        mine = Preference.objects.filter(customer=who) if isinstance(who, Customer) else who.preferences.all()
        unwanted = set(mine.filter(wanted=False).values_list("kind", flat=True))
        self.kinds = kinds_for(Audience.STAFF if isinstance(who, User) else Audience.HOMEOWNER)
        for kind in self.kinds:
            self.fields[kind.value] = forms.BooleanField(
                label=KINDS[kind].to_owner or kind.label,
                required=False,
                initial=kind.value not in unwanted,
            )


@never_cache
def mail_choices(request: HttpRequest, token: str) -> HttpResponse:
    """Which kinds of mail somebody wants; keeping a choice also takes back an earlier "stop all"."""
    who, business = _who(token)
    form = ChoiceForm(who, request.POST or None)
    if request.method == "POST" and form.is_valid():
        choose_mails(who=who, wanted={kind: form.cleaned_data[kind.value] for kind in form.kinds}, now=timezone.now())
        allow_mail(email=who.email, business=business)
        return redirect(request.path + "?kept=1")
    context = {
        "form": form,
        "firm": business,
        "who": who,
        "token": token,
        "stop": MailStop.objects.filter(business=business, email__iexact=who.email).first(),
        "kept": "kept" in request.GET,
        "unasked": isinstance(who, Customer) and who.consented_on is None,
    }
    return linked_page(request, "mail/choices.html", context, firm=business, language=who.language)


@receiver(tracking)
def mail_report(sender: Any, event: AnymailTrackingEvent, esp_name: str, **kwargs: Any) -> None:
    """What a mail service tells of a mail: an address that is dead, or somebody who complained, is left alone."""
    dead = event.event_type == "bounced" or (event.event_type == "rejected" and event.reject_reason == "bounced")
    if event.recipient and (dead or event.event_type == "complained"):
        business = (event.metadata or {}).get("business", "")
        record_bounce(
            email=event.recipient,
            complained=event.event_type == "complained",
            business_id=int(business) if str(business).isdecimal() else None,
            now=event.timestamp or timezone.now(),
        )
