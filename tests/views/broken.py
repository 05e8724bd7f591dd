"""An address that always fails, to see what people see then."""

from django.http import HttpRequest, HttpResponse
from django.urls import include, path


def fails(request: HttpRequest) -> HttpResponse:
    raise RuntimeError("a secret of the code")


urlpatterns = [path("", fails), path("", include("portal.urls"))]
