"""The reminder queue, the mails the embedded portal wrote to files, and when and in which words a business writes."""

from __future__ import annotations

import email
import email.policy
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Count
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.mail.letter import Audience, Letter
from portal.actions.mail.post import mail_folder
from portal.actions.mail.wording import check_wording, fill_in, sample_facts, standard_wording, word_mail, wording
from portal.actions.reminders.hours import sending_rules, set_sending_rules
from portal.actions.reminders.kinds import KINDS
from portal.actions.reminders.send import retry_reminder
from portal.models import Business, Language, Reminder, ReminderKind, ReminderState, Role, SendingRules, User
from portal.views.asked import page_asked

NEWEST_MAILS = 200


def _business(request: HttpRequest, slug: str | None = None, *, owner: bool = False) -> Business:
    """The business whose mails these are; only its own people, and where ``owner`` says so only the owner, get in."""
    roles = {"roles": (Role.OWNER,)} if owner else {}
    mine = Business.objects.managed_by(cast(User, request.user), **roles)
    if slug is not None:
        return get_object_or_404(mine, slug=slug)
    first = mine.first()
    if first is None:
        raise PermissionDenied
    return first


class QueueForm(forms.Form):
    state = forms.ChoiceField(
        label=gettext_lazy("State"), choices=[("", gettext_lazy("All")), *ReminderState.choices], required=False
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("What"), choices=[("", gettext_lazy("All")), *ReminderKind.choices], required=False
    )


@login_required
def reminders(request: HttpRequest) -> HttpResponse:
    """What waits, what went, what failed or was dropped, and why."""
    _business(request)
    user = cast(User, request.user)
    mine = Reminder.objects.visible_to(user)
    counts = dict(mine.values_list("state").annotate(count=Count("pk")))
    form = QueueForm(request.GET)
    wish = form.cleaned_data if form.is_valid() else {}
    chosen = mine.filter(**{field: value for field, value in wish.items() if value})
    chosen = chosen.select_related("customer", "user", "site", "business").order_by("-due_at", "-pk")
    page = page_asked(request, chosen)
    return render(
        request,
        "reminders/reminders.html",
        {
            "form": form,
            "page": page,
            "counts": [(state, counts.get(state.value, 0)) for state in ReminderState],
            "owner": Business.objects.managed_by(user, roles=(Role.OWNER,)).exists(),
            "written_to_files": mail_folder() is not None,
        },
    )


@login_required
@require_POST
def reminder_retry(request: HttpRequest, pk: int) -> HttpResponse:
    _business(request)
    reminder = get_object_or_404(Reminder.objects.visible_to(cast(User, request.user)), pk=pk)
    try:
        retry_reminder(reminder=reminder, now=timezone.now())
    except ValidationError as problem:
        messages.error(request, problem.message)
    else:
        messages.success(request, _("Back in the queue; it goes with the next round, within minutes."))
    return redirect("reminders")


# --- mails in files ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WrittenMail:
    """A mail of the embedded portal, read back from its file."""

    reminder: Reminder
    subject: str
    to: str
    text: str
    headers: tuple[tuple[str, str], ...]
    attachments: tuple[str, ...]


def _written_mails(business: Business) -> list[WrittenMail]:
    """The newest mails of a business in the portal's mail folder. Mails that are no reminders are nobody's to read."""
    folder = mail_folder()
    if folder is None or not folder.is_dir():
        return []
    newest = sorted(folder.glob("*.log"), key=lambda path: path.stat().st_mtime, reverse=True)[:NEWEST_MAILS]
    parsed: dict[str, EmailMessage] = {}
    for path in newest:
        mail = email.message_from_bytes(path.read_bytes().partition(b"\n" + b"-" * 79)[0], policy=email.policy.default)
        parsed[str(mail["Message-ID"])] = mail
    sent = Reminder.objects.filter(business=business, message_id__in=parsed).select_related("customer", "user", "site")
    return [_written(reminder, parsed[reminder.message_id]) for reminder in sent.order_by("-sent_at", "-pk")]


def _written(reminder: Reminder, mail: EmailMessage) -> WrittenMail:
    part = mail.get_body(preferencelist=("plain",))
    shown = (_("From"), "Reply-To", _("Date"), "List-Unsubscribe", "List-Unsubscribe-Post", "Message-ID")
    return WrittenMail(
        reminder,
        str(mail["Subject"]),
        str(mail["To"]),
        part.get_content() if part else "",
        tuple((name, str(mail[name])) for name in shown if mail[name]),
        tuple(one.get_filename() or "file" for one in mail.iter_attachments()),
    )


@login_required
def mails(request: HttpRequest) -> HttpResponse:
    """The mails the embedded portal wrote to files instead of sending them, for the owner of their business."""
    business = _business(request, owner=True)
    return render(request, "reminders/mails.html", {"mails": _written_mails(business), "firm": business})


@login_required
def mail(request: HttpRequest, pk: int) -> HttpResponse:
    business = _business(request, owner=True)
    for one in _written_mails(business):
        if one.reminder.pk == pk:
            return render(request, "reminders/mail.html", {"mail": one})
    raise Http404


# --- when, and in which words --------------------------------------------------------------------------------------


class RulesForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    class Meta:
        model = SendingRules
        fields = ["from_hour", "until_hour", "on_sundays", "stop_from", "stop_until", "cold_after_days"]

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        first, last = cleaned.get("from_hour"), cleaned.get("until_hour")
        if first is not None and last is not None and first >= last:
            self.add_error("until_hour", _("The last hour must come after the first."))
        if (cleaned.get("stop_from") is None) != (cleaned.get("stop_until") is None):
            self.add_error("stop_until", _("A season has a first and a last month. Set both or neither."))
        return cleaned


@login_required
def mail_rules(request: HttpRequest) -> HttpResponse:
    """When a business writes, and the list of its wordings."""
    business = _business(request, request.GET.get("business"))
    form = RulesForm(request.POST or None, instance=sending_rules(business))
    if request.method == "POST" and form.is_valid():
        set_sending_rules(business=business, **form.cleaned_data)
        messages.success(request, _("Kept. It holds from the next mail on."))
        return redirect(f"{request.path}?business={business.slug}")
    own = set(business.wordings.values_list("kind", "language"))
    kinds = [
        (kind, [(language, (kind.value, language.value) in own) for language in Language]) for kind in ReminderKind
    ]
    return render(request, "reminders/rules.html", {"form": form, "firm": business, "kinds": kinds})


class WordingForm(forms.Form):
    subject = forms.CharField(label=gettext_lazy("Subject"), max_length=150, required=False)
    text = forms.CharField(
        label=gettext_lazy("Text"),
        widget=forms.Textarea(attrs={"rows": 14}),
        required=False,
        max_length=5000,
        help_text=gettext_lazy("An empty line starts a paragraph. Empty both to go back to the standard words."),
    )

    def __init__(self, letter: Letter, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.letter = letter

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        check_wording(self.letter, cleaned.get("subject") or "", cleaned.get("text") or "")
        return cleaned


@login_required
def mail_wording(request: HttpRequest, slug: str, kind: str, language: str) -> HttpResponse:
    """Word one kind of mail, with a preview on invented facts."""
    business = _business(request, slug)
    if kind not in ReminderKind.values or language not in Language.values:
        raise Http404
    chosen = ReminderKind(kind)
    letter = KINDS[chosen].letter
    subject, text = wording(business, chosen, language)
    form = WordingForm(letter, request.POST or None, initial={"subject": subject, "text": text})
    if request.method == "POST" and form.is_valid():
        subject, text = form.cleaned_data["subject"], form.cleaned_data["text"]
        if "keep" in request.POST:
            try:
                word_mail(business=business, letter=letter, language=language, subject=subject, text=text)
            except ValidationError as problem:
                form.add_error(None, problem)
            else:
                messages.success(request, _("Kept. The next mail of this kind has these words."))
                return redirect("mail_wording", slug, kind, language)
        elif not subject and not text:
            subject, text = standard_wording(chosen, language)
    sample = sample_facts(business, letter, language)
    return render(
        request,
        "reminders/wording.html",
        {
            "form": form,
            "firm": business,
            "kind": chosen,
            "language": Language(language),
            "facts": [(name, sample[name]) for name in letter.names],
            "may_be_left": letter.audience != Audience.BOOKER,
            "preview_subject": fill_in(subject, sample),
            "preview_text": fill_in(text, sample),
        },
    )
