"""Tokens: how a script proves that it may bring in a site's readings without a person logging in."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from portal.models.people import Business, User
from portal.models.site import Site, SiteQuerySet


def hash_token(secret: str) -> str:
    """Hash a token for storage. It holds 256 random bits, so a plain digest cannot be guessed back."""
    return hashlib.sha256(secret.encode()).hexdigest()


def new_secret() -> str:
    return secrets.token_urlsafe(32)


class Scope(models.TextChoices):
    """What a token is for."""

    SEND = "send", gettext_lazy("send readings and see what became of them")
    READ = "read", gettext_lazy("read how roofs stand")
    BOTH = "both", gettext_lazy("send and read")


class TokenQuerySet(models.QuerySet["Token"]):
    def visible_to(self, user: User | AnonymousUser) -> TokenQuerySet:
        """The tokens of the businesses the user runs and their sites, and those the user made for own sites."""
        if not user.is_authenticated:
            return self.none()
        managed = Business.objects.managed_by(user)
        return self.filter(
            Q(business__in=managed)
            | Q(site__customer__business__in=managed)
            | Q(site__customer__user=user, created_by=user)
        )

    def live(self, now: datetime) -> TokenQuerySet:
        return self.filter(revoked_at=None, expires_at__gt=now, created_by__is_active=True)


class Token(models.Model):
    """A key for scripts, for one site or for a whole business. Only its hash is kept; it is shown once."""

    name = models.CharField(max_length=80, help_text="What uses it: the office computer, the data logger.")
    hashed = models.CharField(max_length=64, unique=True, editable=False)
    hint = models.CharField(max_length=4, editable=False, help_text="Its last characters, to tell tokens apart.")
    business = models.ForeignKey(Business, models.CASCADE, null=True, blank=True, related_name="tokens")
    site = models.ForeignKey(Site, models.CASCADE, null=True, blank=True, related_name="tokens")
    created_by = models.ForeignKey(User, models.CASCADE, related_name="tokens")
    created_at = models.DateTimeField()
    scope = models.CharField(max_length=4, choices=Scope, default=Scope.BOTH)
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = TokenQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(business__isnull=True) ^ Q(site__isnull=True), name="token_for_a_site_or_a_business"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} (…{self.hint})"

    def sites(self) -> SiteQuerySet:
        """The sites it opens: never more than the person who made it may still feed today."""
        within = Site.objects.fed_by(self.created_by)
        if self.site_id is not None:
            return within.filter(pk=self.site_id)
        return within.filter(customer__business=self.business_id)
