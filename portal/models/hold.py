"""What makes the portal wait for a person: mails after a restore, and a clock that has jumped."""

from __future__ import annotations

from django.db import models

from portal.models.people import Business


class MailHoldQuerySet(models.QuerySet["MailHold"]):
    def open(self) -> MailHoldQuerySet:
        return self.filter(decided_at=None)


class MailHold(models.Model):
    """A firm's mails wait since a restore: nobody but the firm knows which of them went after the backup was made."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="mail_holds")
    taken_at = models.DateTimeField(help_text="When the backup was made: what happened since is not known here.")
    decided_at = models.DateTimeField(null=True)

    objects = MailHoldQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["business"], condition=models.Q(decided_at=None), name="one_open_hold_a_business"
            )
        ]

    def __str__(self) -> str:
        return f"{self.business}: mails since {self.taken_at:%Y-%m-%d %H:%M}"


class Clock(models.Model):
    """The one row that remembers when the portal last ran and its clock could be believed."""

    seen_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.seen_at:%Y-%m-%d %H:%M}"
