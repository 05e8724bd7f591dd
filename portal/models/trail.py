"""The audit trail: who exported, changed or erased what. Rows are only added."""

from __future__ import annotations

from typing import Any, NoReturn

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.utils.translation import gettext_lazy

from portal.models.people import Business, Role, User


class Deed(models.TextChoices):
    INVITED = "invited", gettext_lazy("invited a login")
    ROLE = "role", gettext_lazy("gave a role")
    REMOVED = "removed", gettext_lazy("took somebody out of the firm")
    WITHDREW = "withdrew", gettext_lazy("took a customer's login away")
    SETTINGS = "settings", gettext_lazy("changed the firm's settings")
    TOKEN = "token", gettext_lazy("made a token")  # a word, no secret
    REVOKED = "revoked", gettext_lazy("revoked a token")
    CONNECTED = "connected", gettext_lazy("let a utility send readings")
    ENDED = "ended", gettext_lazy("ended what a utility may send")
    EXPORTED = "exported", gettext_lazy("took data away")
    ERASED = "erased", gettext_lazy("erased")


class AuditEntryQuerySet(models.QuerySet["AuditEntry"]):
    def visible_to(self, user: User | AnonymousUser) -> AuditEntryQuerySet:
        """What happened in the firms the user owns."""
        return self.filter(business__in=Business.objects.managed_by(user, roles=(Role.OWNER,)))

    def update(self, **fields: Any) -> NoReturn:
        raise TypeError("the audit trail is only added to")

    def delete(self) -> NoReturn:
        raise TypeError("the audit trail is only added to")


class AuditEntry(models.Model):
    """One deed. ``about`` names rows by their number, never a person: it stays when they are erased."""

    at = models.DateTimeField(db_index=True)
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    business = models.ForeignKey(Business, models.CASCADE, related_name="audit_entries")
    deed = models.CharField(max_length=10, choices=Deed)
    about = models.CharField(max_length=200)

    objects = AuditEntryQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        verbose_name_plural = "audit entries"

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.by}: {self.deed} {self.about}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk is not None:
            raise TypeError("the audit trail is only added to")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise TypeError("the audit trail is only added to")
