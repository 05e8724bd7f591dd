"""A roof's connection to its utility (Green Button Connect My Data), and the queues of what is to be done for it."""

from __future__ import annotations

from django.db import models

from portal.models.people import User
from portal.models.site import Site


class UtilityState(models.TextChoices):
    ASKED = "asked"
    ACTIVE = "active"
    ENDED = "ended"


class EndedBy(models.TextChoices):
    CUSTOMER = "customer"
    OFFICE = "office"
    UTILITY = "utility"
    LOST = "lost"
    """Renewed keys did not arrive here, and those that are left are good no more."""
    NEVER_BEGAN = "never"


class UtilityConnection(models.Model):
    """That a utility may hand a roof's readings over. One a roof; connecting again takes the same row up again."""

    site = models.OneToOneField(Site, models.CASCADE, related_name="utility")
    state = models.CharField(max_length=8, choices=UtilityState, default=UtilityState.ASKED)
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    asked_at = models.DateTimeField()
    secret = models.BinaryField(
        null=True, help_text="Encrypted: the code that is to be exchanged, then the tokens. None once it ended."
    )
    subscription = models.TextField(blank=True, help_text="Address of the utility's resource with the readings.")
    authorization = models.TextField(blank=True, help_text="Address of what the utility says of the permission.")
    connected_at = models.DateTimeField(null=True)
    fetched_at = models.DateTimeField(null=True, help_text="When the utility last answered as it should.")
    last_modified = models.CharField(max_length=80, blank=True)
    busy_until = models.DateTimeField(null=True, help_text="A worker is at it; after this another may begin.")
    problem = models.TextField(blank=True, help_text="What went wrong last, in a sentence.")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.CharField(max_length=8, choices=EndedBy, blank=True)

    def __str__(self) -> str:
        return f"{self.site}: {self.state}"


class UtilityBatch(models.Model):
    """Something to be fetched for a connection: its subscription, each day anew, and what the utility told of."""

    connection = models.ForeignKey(UtilityConnection, models.CASCADE, related_name="batches")
    address = models.CharField(max_length=1000)
    due_at = models.DateTimeField()
    wanted_at = models.DateTimeField(help_text="When it was last told of.")
    tried_at = models.DateTimeField(null=True)
    tries = models.PositiveSmallIntegerField(default=0, help_text="Since it last came.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["connection", "address"], name="utility_batch_once")]

    def __str__(self) -> str:
        return f"{self.address}, due {self.due_at:%Y-%m-%d %H:%M}"


class UtilityNotice(models.Model):
    """What a utility posted to say that there is something to fetch, until a worker has read it. Nothing in it is
    believed: it only says where to look."""

    received_at = models.DateTimeField()
    body = models.BinaryField()

    def __str__(self) -> str:
        return f"{self.received_at:%Y-%m-%d %H:%M}"


class UtilityFarewell(models.Model):
    """Tokens to be made useless at the utility. Names no roof: it may outlive one that was erased, by some days."""

    secret = models.BinaryField()
    authorization = models.TextField(blank=True)
    connection = models.ForeignKey(UtilityConnection, models.SET_NULL, null=True, related_name="farewells")
    due_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)

    def __str__(self) -> str:
        return f"due {self.due_at:%Y-%m-%d %H:%M}"
