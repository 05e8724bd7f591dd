"""Calls every operation of the API as its description allows and as it does not, with each role's token.

    python -m tests.api_calls [--seconds 120]

A portal of its own, on PostgreSQL; the calls are schemathesis's, from its newest release in an environment that goes
afterwards. Prints how many calls each role made and what broke; ends with 1 where an answer was an error of ours (500),
or a status, kind or shape that the description does not name. Tokens are many, since each is let 120 calls a minute.
`test_api_calls.py` makes some of these calls in each run of the tests.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

import django
from django.core.management import call_command

from deploy.processes import Supervisor
from tests.killed.portal import Portal

CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,ignored_auth"
TOKENS = 400
HOOKS = """
import itertools, os
import schemathesis

secrets = itertools.cycle(os.environ["TOKENS"].split())

@schemathesis.hook
def before_call(context, case, **kwargs):
    if case.headers.get("Authorization"):
        case.headers["Authorization"] = "Bearer " + next(secrets)
"""


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.api_calls", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=int, default=120, help="for each role")
    seconds = parser.parse_args().seconds
    folder = Path(tempfile.mkdtemp(prefix="rinsemark-calls-"))
    folder.chmod(0o755)
    try:
        venv.create(folder / "tools", with_pip=True)
        pip = [str(folder / "tools" / "bin" / "pip"), "install", "--quiet", "--only-binary", ":all:", "schemathesis"]
        subprocess.run(pip, check=True)
        (folder / "hooks.py").write_text(HOOKS)
        with Supervisor(folder / "log") as supervisor:
            portal = Portal(supervisor, folder, smtp_port=1)
            os.environ |= portal.variables
            django.setup()
            call_command("migrate", verbosity=0)
            call_command("prepare_assets", verbosity=0)  # a page that refuses a call has its style
            portal.start_services()
            bad = sum(not calls(portal.address, folder, role, secrets, seconds) for role, secrets in tokens().items())
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if bad else 0


def tokens(each: int = TOKENS) -> dict[str, list[str]]:
    """So many tokens of each role: two firms, a roof with everything, and a homeowner's own."""
    # Django is set up only now
    from django.utils import timezone

    # models can be imported only now
    from portal.actions.tokens import make_token
    from portal.models import Role, Scope
    from tests import factories
    from tests.actions.exports import csv_text, days_rows, send

    firm, now = factories.business(), timezone.now()
    owner, office = factories.member(firm, Role.OWNER), factories.member(firm, Role.OFFICE)
    homeowner = factories.user()
    site = factories.site(customer=factories.customer(business=firm, user=homeowner))
    factories.assessment(site=site)
    send(factories.meter(site=site), csv_text(days_rows(now.date(), 1)))
    rival = factories.member(factories.business(), Role.OWNER)
    makers = {
        "owner": (owner, {"business": firm}),
        "office, may only send": (office, {"business": firm, "scope": Scope.SEND}),
        "office, may only read": (office, {"business": firm, "scope": Scope.READ}),
        "homeowner": (homeowner, {"site": site}),
        "another firm's owner": (rival, {"business": rival.memberships.get().business}),
    }
    made = {
        role: [make_token(name="calls", created_by=by, now=now, **of)[1] for _ in range(each)]  # type: ignore[arg-type]
        for role, (by, of) in makers.items()
    }
    return made | {"a token that is none": ["x" * 40]}


def calls(address: str, folder: Path, role: str, secrets: list[str], seconds: int) -> bool:
    """Let one role call for so long; returns whether every answer was as described."""
    argv: list[str | Path] = [folder / "tools" / "bin" / "st", "run", f"{address}/api/openapi.json", "--workers", "4"]
    argv += ["--max-time", str(seconds), "--checks", CHECKS, "--continue-on-failure", "--seed", "16"]
    argv += ["--max-examples", "100000", "--header", f"Authorization: Bearer {secrets[0]}", "--warnings", "off"]
    env = dict(os.environ) | {"TOKENS": " ".join(secrets), "SCHEMATHESIS_HOOKS": "hooks", "PYTHONPATH": str(folder)}
    done = subprocess.run(argv, env=env, cwd=folder, capture_output=True, text=True, check=False)
    (count, *_) = [*re.findall(r"(\d[\d,]*) generated", done.stdout), "?"]
    print(f"{role}: {count} calls, {'all answered as described' if done.returncode == 0 else 'WRONG'}", flush=True)
    if done.returncode:
        print(done.stdout[-6000:], done.stderr[-2000:])
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main())
