"""What rows said before a change of the tables they still say after it."""

from __future__ import annotations

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from portal.models import SiteAssessment
from portal.words.sentences import paragraph, sentence
from tests import factories


@pytest.mark.django_db(transaction=True)
def test_why_a_wash_was_due_is_still_said_of_rows_from_before_codes() -> None:
    site = factories.site()
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
    assert paragraph(kept.due_reasons) == "It pays from then on."
