"""Routes."""

from django.contrib import admin
from django.urls import include, path

from portal.views.rain import rain

urlpatterns = [
    path("rain/", rain, name="rain"),
    path("accounts/", include("allauth.account.urls")),
    path("admin/", admin.site.urls),
]
