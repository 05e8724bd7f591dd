"""During an update the release before serves from the new tables: they only add to what it knows.

No history of the repository is asked: what the release before knows of the tables is what its migrations made.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, migrations, models, transaction
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState, StateApps

from portal.models import Customer
from tests import factories

RELEASED = "0026_tail_of_days"
"""The newest migration of the last release: move it on with each. None was made yet: the rule counts from here."""

TAKES_AWAY = (migrations.RemoveField, migrations.DeleteModel, migrations.RenameField, migrations.RenameModel)


def before() -> StateApps:
    """The models as the code of the last release has them."""
    return MigrationLoader(connection).project_state([("portal", RELEASED)]).apps


def added() -> list[Any]:
    """The migrations since, in order."""
    loader = MigrationLoader(connection)
    plan = loader.graph.forwards_plan(loader.graph.leaf_nodes("portal")[0])
    ours = [key for key in plan if key[0] == "portal"]
    return [loader.disk_migrations[key] for key in ours[ours.index(("portal", RELEASED)) + 1 :]]


def narrows(operation: Operation, state: ProjectState) -> str:
    """Say what the code before an operation could no longer do after it; empty where nothing."""
    if isinstance(operation, TAKES_AWAY):
        return f"{operation.describe()}: the code before still names it. Take it out of the code first, then later"
    if isinstance(operation, migrations.AlterField):
        old = state.models["portal", operation.model_name_lower].fields[operation.name]
        if old.null and not operation.field.null:
            return f"{operation.describe()}: the code before still writes rows without it"
        short, long = getattr(operation.field, "max_length", None), getattr(old, "max_length", None)
        if short is not None and (long is None or short < long):
            return f"{operation.describe()}: the code before still writes {long} letters"
    return ""


def narrowing(of: list[Any], state: ProjectState) -> list[str]:
    said = []
    for migration in of:
        for operation in migration.operations:
            said.append(narrows(operation, state))
            operation.state_forwards("portal", state)
    return [one for one in said if one]


def test_no_migration_since_the_last_release_takes_away_what_its_code_uses() -> None:
    loader = MigrationLoader(None)
    assert ("portal", RELEASED) in loader.disk_migrations, "the last release's migration is there"
    plan = loader.graph.forwards_plan(loader.graph.leaf_nodes("portal")[0])
    ours = [key for key in plan if key[0] == "portal"]
    since = [loader.disk_migrations[key] for key in ours[ours.index(("portal", RELEASED)) + 1 :]]
    assert narrowing(since, loader.project_state([("portal", RELEASED)])) == []


@pytest.mark.parametrize(
    ("operation", "said"),
    [
        (migrations.RemoveField("site", "notes"), "still names it"),
        (migrations.RenameField("site", "notes", "remarks"), "still names it"),
        (migrations.DeleteModel("Call"), "still names it"),
        (migrations.AlterField("site", "installed_on", models.DateField()), "without it"),
        (migrations.AlterField("customer", "name", models.CharField(max_length=20)), "120 letters"),
        (migrations.AddField("site", "colour", models.CharField(max_length=20, default="")), ""),
        (migrations.AlterField("customer", "name", models.CharField(max_length=200)), ""),
    ],
)
def test_the_rule_sees_what_takes_away(operation: Operation, said: str) -> None:
    state = MigrationLoader(None).project_state([("portal", RELEASED)])
    found = narrows(operation, state)
    assert said in found
    assert bool(said) == bool(found)


@pytest.mark.django_db
def test_code_of_the_last_release_reads_and_writes_the_tables_of_now() -> None:
    apps = before()
    for model in apps.get_models():
        list(model._base_manager.all()[:1])  # names every column it knows
    firm = factories.business()
    customer = factories.customer(business=firm)
    site = factories.site(customer=customer)
    try:
        with transaction.atomic():
            for name, fields in {
                "Customer": {"business_id": firm.pk, "name": "Una", "email": "una@homes.example"},
                "Site": {
                    "customer_id": customer.pk,
                    "name": "Barn",
                    "address": "3 Road",
                    "latitude": 40.0,
                    "longitude": -105.0,
                    "tz": "America/Denver",
                    "ac_kw": 4.0,
                },
                "Lead": {"site_id": site.pk, "opened_at": factories.NOW},
                "Visit": {"site_id": site.pk, "starts_at": factories.NOW, "price": "100.00"},
                "SiteAssessment": {"site_id": site.pk, "as_of": factories.NOW.date(), "verdict": "unsure"},
            }.items():
                apps.get_model("portal", name)._base_manager.create(**fields)
    except IntegrityError:
        if connection.vendor == "postgresql":
            raise
        return  # SQLite serves one machine, where `./deploy/run` changes the tables before it starts anything
    assert Customer.objects.filter(name="Una").exists()


@pytest.mark.django_db
def test_a_new_column_of_any_kind_lets_old_code_write_rows() -> None:
    """On PostgreSQL, which takes the columns back with the test; on SQLite nothing serves while tables change."""
    if connection.vendor != "postgresql":
        return
    kinds: dict[str, models.Field[Any, Any]] = {
        "a_text": models.CharField(max_length=9, default="it's"),
        "a_number": models.IntegerField(default=7),
        "a_switch": models.BooleanField(default=False),
        "a_list": models.JSONField(default=list),
        "some_bytes": models.BinaryField(default=b""),
    }
    with connection.schema_editor() as editor:
        for name, field in kinds.items():
            field.set_attributes_from_name(name)
            field.model = Customer
            editor.add_field(Customer, field)
    made = Customer.objects.create(business=factories.business(), name="Una")
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(kinds)} FROM portal_customer WHERE id = %s", [made.pk])
        text, number, switch, listed, packed = cursor.fetchone()
    assert (text, number, switch, listed, bytes(packed)) == ("it's", 7, False, "[]", b"")
