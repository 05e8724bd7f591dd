"""The API for scripts: send a file for a meter, see what became of it, read a site's assessment.

Every call carries a token; what it opens is what the person who made it may feed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_safe
from ninja import Field, File, NinjaAPI, Query, Schema, Status
from ninja.errors import HttpError, ValidationError
from ninja.files import UploadedFile
from ninja.security import HttpBearer
from ninja.throttling import AuthRateThrottle

from portal.actions.advice import recommendation
from portal.actions.imports.asked import undo_import
from portal.actions.imports.receive import ImportRefused, receive_file
from portal.actions.tokens import use_token
from portal.actions.uploads import too_large
from portal.api.answers import AnswerOut, ImportOut, LedgerOut, Problem, SiteOut
from portal.models import CameBy, Import, Meter, Scope, SiteAssessment, Token
from portal.words.advice import advice, headline, money_line, why
from portal.words.sentences import sentence


class TokenAuth(HttpBearer):
    """``Authorization: Bearer …`` with a token of the portal that may do this."""

    def __init__(self, *scopes: Scope) -> None:
        super().__init__()
        self.scopes = {Scope.BOTH, *scopes}

    def authenticate(self, request: HttpRequest, token: str) -> Token | None:
        found = use_token(secret=token, now=timezone.now())
        if found and found.scope not in self.scopes:
            raise PermissionDenied
        return found


SENDS, READS, EITHER = TokenAuth(Scope.SEND), TokenAuth(Scope.READ), TokenAuth(Scope.SEND, Scope.READ)


class TokenThrottle(AuthRateThrottle):
    """So many calls a token, whatever address they come from."""

    def get_cache_key(self, request: HttpRequest) -> str:
        return f"api-throttle-{_token(request).pk}"


api = NinjaAPI(
    title="Rinsemark",
    version="1",
    description=gettext_noop(
        "Send production files by script, and read what they say. Make a token on the page “Send by script”."
    ),
    auth=EITHER,
    throttle=[TokenThrottle("120/m")],
    docs_url=None,  # ninja's pages load scripts from elsewhere; ours is drawn by the server from the same description
    urls_namespace="api",
)


ALWAYS = {400: Problem, 401: Problem, 403: Problem, 422: Problem, 429: Problem}
"""Bytes that are no request, no token, one that may not do this, a call that is not right, and too many of them."""


def _token(request: HttpRequest) -> Token:
    token: Token = request.auth  # type: ignore[attr-defined]  # set by ninja
    return token


@api.get(
    "/sites",
    response={200: list[SiteOut], **ALWAYS},
    summary=gettext_noop("List the roofs this token opens, with their meters"),
)
def sites(request: HttpRequest) -> Any:
    return _token(request).sites().select_related("customer").prefetch_related("meters")


@api.post(
    "/meters/{meter_id}/imports",
    response={202: ImportOut, 404: Problem, 413: Problem, **ALWAYS},
    auth=SENDS,
    summary=gettext_noop("Send a file for a meter"),
    description=gettext_noop(
        "Multipart form with the field “file”. The answer comes at once; the file is read soon after. Ask "
        "for the import until its state is no longer “pending”. The same file again changes nothing."
    ),
)
def send_file(request: HttpRequest, meter_id: int, file: File[UploadedFile]) -> Any:
    token = _token(request)
    meter = get_object_or_404(Meter.objects.filter(site__in=token.sites()).select_related("site"), pk=meter_id)
    try:
        import_ = receive_file(
            meter=meter,
            filename=file.name or "file",
            file=file,
            uploaded_by=token.created_by,
            now=timezone.now(),
            came_by=CameBy.API,
            token=token,
        )
    except ImportRefused as refused:
        return Status(429, {"detail": str(refused)})
    return Status(202, import_)


LARGEST = 2**31 - 1
"""No database counts rows beyond this here; a larger number is a mistake to be told, not an error of ours."""


class ImportsAsked(Schema):
    meter_id: int | None = Field(None, ge=0, le=LARGEST)
    limit: int = 100
    offset: int = Field(0, le=LARGEST)


@api.get(
    "/imports",
    response={200: list[ImportOut], **ALWAYS},
    summary=gettext_noop("List imports, the newest first"),
    description=gettext_noop("At most 100 at once (limit), beginning after offset; of one meter with meter_id."),
)
def list_imports(request: HttpRequest, asked: Query[ImportsAsked]) -> Any:
    found = Import.objects.filter(meter__site__in=_token(request).sites()).listed()
    if asked.meter_id is not None:
        found = found.filter(meter=asked.meter_id)
    begin = max(0, asked.offset)
    return found[begin : begin + min(max(1, asked.limit), 100)]


@api.get(
    "/imports/{import_id}",
    response={200: LedgerOut, 404: Problem, **ALWAYS},
    summary=gettext_noop("Read what became of one import"),
)
def read_ledger(request: HttpRequest, import_id: int) -> Any:
    return _import_of(request, import_id)


@api.post(
    "/imports/{import_id}/undo",
    response={202: ImportOut, 404: Problem, 409: Problem, **ALWAYS},
    auth=SENDS,
    summary=gettext_noop("Undo an import: its days return to what they would be without it"),
)
def undo(request: HttpRequest, import_id: int) -> Any:
    import_ = _import_of(request, import_id)
    try:
        undoing = undo_import(import_=import_, user=_token(request).created_by, now=timezone.now())
    except ImportRefused as refused:
        return Status(409, {"detail": str(refused)})
    return Status(202, undoing)


def _import_of(request: HttpRequest, import_id: int) -> Import:
    return get_object_or_404(Import.objects.filter(meter__site__in=_token(request).sites()), pk=import_id)


@api.get(
    "/sites/{site_id}/assessment",
    response={200: AnswerOut, 404: Problem, **ALWAYS},
    auth=READS,
    summary=gettext_noop("Read how a roof stands and what is advised"),
    description=gettext_noop(
        "The same answer as on the roof's page; headline, why, money, what_to_do and reasons are sentences for people, "
        "in the language that Accept-Language asks for."
    ),
)
def read_assessment(request: HttpRequest, site_id: int) -> Any:
    site = get_object_or_404(_token(request).sites(), pk=site_id)
    newest = SiteAssessment.objects.filter(site=site).newest().first()
    if newest is None:
        raise HttpError(
            404, _("This site has not been assessed yet. Send its readings, then ask again after a minute.")
        )
    told = recommendation(site, now=timezone.now())
    return {
        "site_id": site.pk,
        "as_of": newest.as_of,
        "readings_until": told.readings_until,
        "state": told.state,
        "state_day": told.state_day,
        "cause": told.cause or "",
        "loss": told.loss,
        "lost_a_month": told.lost_a_month,
        "advice": told.act,
        "advised_day": told.on,
        "booked_for": told.booked_for,
        "wash_price": told.wash.price if told.wash else None,
        "wash_brings": told.wash.brings if told.wash else None,
        "chance_it_pays_back": told.wash.pays_back if told.wash else None,
        "headline": headline(told),
        "why": why(told),
        "money": money_line(told),
        "what_to_do": advice(told),
        "reasons": [sentence(said) for said in told.reasons or told.why],
    }


@api.exception_handler(Http404)
def not_found(request: HttpRequest, error: Exception) -> Any:
    return api.create_response(
        request, {"detail": _("This token opens no such thing. List the roofs with GET /api/sites.")}, status=404
    )


@api.exception_handler(PermissionDenied)
def denied(request: HttpRequest, error: Exception) -> Any:
    return api.create_response(request, {"detail": _("This token may not do that.")}, status=403)


@api.exception_handler(ValidationError)
def invalid(request: HttpRequest, error: ValidationError) -> Any:
    if said := too_large(request):
        return api.create_response(request, {"detail": said}, status=413)
    wrong = "; ".join(f"{'.'.join(str(part) for part in one['loc'][1:])}: {one['msg']}" for one in error.errors)
    return api.create_response(
        request,
        {
            "detail": _("The call is not complete or not right: {wrong}. See /api/ for what it needs.").format(
                wrong=wrong
            )
        },
        status=422,
    )


@require_safe
def api_page(request: HttpRequest) -> HttpResponse:
    """Show what the API offers, from its own OpenAPI description."""
    schema = api.get_openapi_schema()
    return render(request, "imports/api.html", {"info": schema["info"], "operations": operations(schema)})


class Operation(NamedTuple):
    """One call of the API, as its page shows it."""

    method: str
    path: str
    summary: str
    description: str
    parameters: list[dict[str, Any]]
    answers: list[tuple[str, str, list[tuple[str, str]]]]


def operations(schema: dict[str, Any]) -> Iterable[Operation]:
    """Flatten an OpenAPI description for a page."""
    for path, methods in schema["paths"].items():
        for method, call in methods.items():
            yield Operation(
                method.upper(),
                path,
                call.get("summary", ""),
                call.get("description", ""),
                call.get("parameters", []),
                [
                    (str(status), answer.get("description", ""), _fields(schema, answer))
                    for status, answer in call["responses"].items()
                ],
            )


def _fields(schema: dict[str, Any], answer: dict[str, Any]) -> list[tuple[str, str]]:
    shape = answer.get("content", {}).get("application/json", {}).get("schema", {})
    shape = shape.get("items", shape)
    if "$ref" not in shape:
        return []
    properties = schema["components"]["schemas"][shape["$ref"].rsplit("/", 1)[1]]["properties"]
    return [(name, _type(kind)) for name, kind in properties.items()]


def _type(kind: dict[str, Any]) -> str:
    if "anyOf" in kind:
        return _(" or ").join(_type(one) for one in kind["anyOf"])
    if "$ref" in kind:
        return str(kind["$ref"]).rsplit("/", 1)[1]
    if kind.get("type") == "array":
        return _("list of {kind}").format(kind=_type(kind.get("items", {})))
    return str(kind.get("format") or kind.get("type", "object"))
