"""Mails with readings: each is a row before anything is read of it."""

from __future__ import annotations

from django.db import models

from portal.models.site import Site


class MailState(models.TextChoices):
    WAITING = "waiting"
    TAKEN = "taken"
    REFUSED = "refused"


class ReadingsMail(models.Model):
    """A mail to a roof's own address. What it brought are imports; the mail itself goes when they are kept."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="readings_mails")
    received_at = models.DateTimeField()
    sha256 = models.CharField(
        max_length=64, help_text="Of its Message-ID, or of all of it: one that comes twice is one."
    )
    raw = models.BinaryField(null=True, help_text="The mail as it came, until its files are kept.")
    sender = models.EmailField(blank=True, max_length=254, help_text="Where an answer goes; empty where none may.")
    message_id = models.CharField(max_length=250, blank=True)
    state = models.CharField(max_length=8, choices=MailState, default=MailState.WAITING)
    problem = models.TextField(blank=True, help_text="Why nothing of it was taken, or not all.")
    answered_at = models.DateTimeField(null=True, help_text="When it was settled whether an answer goes, and it went.")

    class Meta:
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["site", "sha256"], name="readings_mail_once_a_site")]

    def __str__(self) -> str:
        return f"{self.sender or 'nobody'}, {self.received_at:%Y-%m-%d}"
