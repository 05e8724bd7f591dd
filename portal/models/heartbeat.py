"""Signs of life of what works behind the pages."""

from __future__ import annotations

from django.db import models


class Heartbeat(models.Model):
    """When a worker last answered beat's call through a queue: beat, broker and that worker were alive then."""

    queue = models.CharField(max_length=16, primary_key=True)
    beaten_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.queue} {self.beaten_at:%Y-%m-%d %H:%M:%S}"
