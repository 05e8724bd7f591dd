"""What rows said before a change of the tables they still say after it."""

from __future__ import annotations

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from portal.models import SiteAssessment
from portal.words.sentences import sentence
from tests import factories


@pytest.mark.long(11)
@pytest.mark.django_db(transaction=True)
def test_what_rows_said_before_a_change_they_still_say() -> None:
    """Reasons from before they had codes; an order of dates that a file has shown (one that none has is forgotten).

    In one go: the way back and forth through all changes takes long.
    """
    site = factories.site()
    sent = {"uploaded_at": factories.NOW, "filename": "a.csv", "sha256": "0", "state": "done"}
    orders = {}
    for name, first, last in [("guessed", "2026-06-05", "2026-06-05"), ("shown", "2026-06-01", "2026-06-30")]:
        meter = factories.meter(mapping={"date_order": "dmy"})
        meter.imports.create(first_day=first, last_day=last, mapping={"date_order": "dmy"}, **sent)
        orders[name] = meter
    newest = MigrationExecutor(connection).loader.graph.leaf_nodes("portal")
    executor = MigrationExecutor(connection)
    executor.migrate([("portal", "0005_verdict_unsure")])
    try:
        before = executor.loader.project_state([("portal", "0005_verdict_unsure")]).apps
        before.get_model("portal", "SiteAssessment").objects.create(
            site_id=site.pk, as_of="2026-03-05", reasons=["Since 05 March 2026."], due_reason="It pays from then on."
        )
    finally:
        MigrationExecutor(connection).migrate(newest)
    kept = SiteAssessment.objects.get()
    assert [sentence(said) for said in kept.reasons] == ["Since 05 March 2026."]
    assert kept.advice == {}, "the next night fills it"
    for meter in orders.values():
        meter.refresh_from_db()
    assert {name: (meter.mapping or {})["date_order"] for name, meter in orders.items()} == {
        "guessed": "",
        "shown": "dmy",
    }
