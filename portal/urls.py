"""Routes."""

from django.contrib import admin
from django.urls import include, path, re_path

from portal.api import api
from portal.views.business import business_logo, business_settings, member_add, member_remove
from portal.views.calendar import calendar, calendar_feed
from portal.views.customers import customer, customer_access, customer_edit, customer_new, customers
from portal.views.home import home
from portal.views.imports import (
    import_how,
    import_ledger,
    import_original,
    import_rejected,
    import_state,
    import_undo,
    import_upload,
    imports,
)
from portal.views.rain import rain
from portal.views.record import (
    visit_entries,
    visit_hello,
    visit_photo,
    visit_photos,
    visit_record,
    visit_referral,
    visit_worker,
)
from portal.views.sites import cautions, method, site, site_edit, site_new
from portal.views.tokens import api_page, token_revoke, tokens
from portal.views.visits import (
    visit_book,
    visit_call_off,
    visit_finish,
    visit_move,
    visit_reopen,
    visit_sheet,
    visits,
)

urlpatterns = [
    path("", home, name="home"),
    path("sites/<int:pk>/", site, name="site"),
    path("sites/<int:pk>/edit/", site_edit, name="site_edit"),
    path("customers/", customers, name="customers"),
    path("customers/new/", customer_new, name="customer_new"),
    path("customers/<int:pk>/", customer, name="customer"),
    path("customers/<int:pk>/edit/", customer_edit, name="customer_edit"),
    path("customers/<int:pk>/access/", customer_access, name="customer_access"),
    path("customers/<int:pk>/sites/new/", site_new, name="site_new"),
    path("business/", business_settings, name="business_settings"),
    path("business/<slug:slug>/", business_settings, name="business_settings_of"),
    path("business/<slug:slug>/logo/", business_logo, name="business_logo"),
    path("business/<slug:slug>/members/", member_add, name="member_add"),
    path("business/<slug:slug>/members/<int:pk>/remove/", member_remove, name="member_remove"),
    path("method/", method, name="method"),
    path("cautions/", cautions, name="cautions"),
    path("visits/", visits, name="visits"),
    path("visits/book/", visit_book, name="visit_book"),
    path("visits/calendar/", calendar, name="calendar"),
    path("visits/hello/", visit_hello, name="visit_hello"),
    path("visits/worker.js", visit_worker, name="visit_worker"),
    path("visits/<int:pk>/", visit_sheet, name="visit_sheet"),
    path("visits/<int:pk>/move/", visit_move, name="visit_move"),
    path("visits/<int:pk>/call-off/", visit_call_off, name="visit_call_off"),
    path("visits/<int:pk>/finish/", visit_finish, name="visit_finish"),
    path("visits/<int:pk>/reopen/", visit_reopen, name="visit_reopen"),
    path("visits/<int:pk>/record/", visit_record, name="visit_record"),
    path("visits/<int:pk>/entries/", visit_entries, name="visit_entries"),
    path("visits/<int:pk>/photos/", visit_photos, name="visit_photos"),
    re_path(r"^visits/photos/(?P<pk>\d+)/(?P<size>small|shown|original)/$", visit_photo, name="visit_photo"),
    path("visits/referrals/<int:pk>/", visit_referral, name="visit_referral"),
    path("calendar/<str:token>.ics", calendar_feed, name="calendar_feed"),
    path("imports/", imports, name="imports"),
    path("imports/new/", import_upload, name="import_upload"),
    path("imports/tokens/", tokens, name="tokens"),
    path("imports/tokens/<int:pk>/revoke/", token_revoke, name="token_revoke"),
    path("imports/<int:pk>/", import_ledger, name="import_ledger"),
    path("imports/<int:pk>/state/", import_state, name="import_state"),
    path("imports/<int:pk>/how/", import_how, name="import_how"),
    path("imports/<int:pk>/undo/", import_undo, name="import_undo"),
    path("imports/<int:pk>/rejected.csv", import_rejected, name="import_rejected"),
    path("imports/<int:pk>/original/", import_original, name="import_original"),
    path("api/", api_page, name="api_page"),
    path("api/", api.urls),
    path("rain/", rain, name="rain"),
    path("accounts/", include("allauth.account.urls")),
    path("admin/", admin.site.urls),
]
