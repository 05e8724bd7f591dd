"""Some calls of `python -m tests.api_calls` in each run: the same ones each time, of every operation and role."""

from __future__ import annotations

import itertools
from typing import Any

import hypothesis
import pytest
import schemathesis
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)
from schemathesis.core.result import Ok
from schemathesis.generation.modes import GenerationMode

from portal.wsgi import application
from tests.api_calls.__main__ import tokens

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
EXAMPLES = 8
"""Of each operation and role, as the description allows; and as many as it does not."""
TOKENS_A_ROLE = 3
"""Each is let 120 calls a minute."""


@pytest.mark.long(8)
@pytest.mark.django_db(transaction=True)  # after each answer the web server may close its connection
def test_every_operation_answers_each_role_as_described() -> None:
    roles = {role: itertools.cycle(secrets) for role, secrets in tokens(TOKENS_A_ROLE).items()}
    schema = schemathesis.openapi.from_wsgi("/api/openapi.json", application)
    operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) == schema.statistic.operations.total > 5
    seen: dict[str, set[int]] = {role: set() for role in roles}
    for operation, mode, role in itertools.product(operations, GenerationMode, roles):
        seen[role] |= call(operation, mode, roles[role])
    assert all(200 in statuses for role, statuses in seen.items() if "none" not in role), seen
    assert seen["a token that is none"] <= {401, 400}, seen


def call(operation: Any, mode: GenerationMode, secrets: itertools.cycle[str]) -> set[int]:
    """Make some calls; returns with which statuses they were answered."""
    seen = set()

    @hypothesis.settings(max_examples=EXAMPLES, database=None, suppress_health_check=list(hypothesis.HealthCheck))
    @hypothesis.given(operation.as_strategy(generation_mode=mode))
    def calls(case: Any) -> None:
        case.headers.update({"Authorization": f"Bearer {next(secrets)}", "Accept-Encoding": "identity"})
        seen.add(case.call_and_validate(checks=CHECKS).status_code)

    calls()
    return seen
