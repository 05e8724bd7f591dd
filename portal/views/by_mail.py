"""A mail service hands a mail over that came for a roof (anymail's inbound webhook): it is kept as a row, no more."""

from __future__ import annotations

from typing import Any

from anymail.signals import AnymailInboundEvent, inbound
from django.dispatch import receiver
from django.utils import timezone

from portal.actions.by_mail.keep import keep_mail


@receiver(inbound)
def mail_came(sender: Any, event: AnymailInboundEvent, esp_name: str, **kwargs: Any) -> None:
    message = event.message
    if message.spam_detected:
        return
    recipients = [message.envelope_recipient] if message.envelope_recipient else []
    keep_mail(raw=message.as_bytes(), recipients=recipients, now=timezone.now())
