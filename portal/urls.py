"""Routes."""

from django.conf import settings
from django.contrib import admin
from django.urls import include, path, re_path

import portal.views.by_mail  # noqa: F401  # it listens to what a mail service hands over
from portal.api import api, api_page
from portal.views.account import login_address
from portal.views.again import visit_again, visit_wished
from portal.views.asks import enquiry, lead_answer, lead_reopen, lead_wrong, site_ask, site_rhythm
from portal.views.booking import visit_book, visit_call_off, visit_finish, visit_move, visit_reopen
from portal.views.business import business_logo, business_settings, member_add, member_join, member_remove
from portal.views.calendar import calendar, calendar_feed
from portal.views.calls import call_undo, lead_call, site_write
from portal.views.customer_files import customer_file, customer_file_new
from portal.views.customers import (
    customer,
    customer_access,
    customer_edit,
    customer_erase,
    customer_new,
    customers,
    customers_csv,
)
from portal.views.design import colours, design
from portal.views.fleet import fleet
from portal.views.health import live, ready
from portal.views.holds import clock_confirm, mails_decide
from portal.views.home import home
from portal.views.import_list import imports, imports_csv
from portal.views.imports import import_upload
from portal.views.invoice_paper import invoice_pdf, shared_invoice, shared_invoice_pdf
from portal.views.invoices import (
    invoice,
    invoice_again,
    invoice_credit,
    invoice_draft,
    invoices,
    invoices_csv,
    payment_add,
    payment_undo,
)
from portal.views.language import language
from portal.views.leads import lead, lead_lose, lead_move, lead_note, lead_plan, leads, leads_csv, leads_weekly
from portal.views.ledger import (
    import_clock,
    import_drawing,
    import_ledger,
    import_mapping,
    import_original,
    import_rejected,
    import_state,
    import_undo,
    import_verdict,
)
from portal.views.map import roof_map
from portal.views.month import invoices_month, invoices_month_csv
from portal.views.personal import business_trail, customer_data, privacy
from portal.views.preferences import mail_choices, mail_stop
from portal.views.proof import (
    shared_ask,
    shared_logo,
    shared_photo,
    shared_report,
    shared_report_pdf,
    visit_report,
    visit_report_pdf,
    visit_report_share,
)
from portal.views.quote import visit_quote
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
from portal.views.reminders import mail, mail_rules, mail_wording, mails, reminder_retry, reminders
from portal.views.site_facts import site_correct, site_edit, site_erase, site_hand_over, site_meters, site_new
from portal.views.sites import cautions, method, site
from portal.views.together import customers_ask, leads_assign
from portal.views.tokens import token_revoke, tokens
from portal.views.utility import utility, utility_back, utility_connect, utility_end, utility_notice
from portal.views.visit_list import visit_list, visits_csv
from portal.views.visits import visit_sheet, visits
from portal.views.week import day_off_end, day_off_new, round_order, start_keep, week

handler400 = "portal.views.broken.unreadable"
handler500 = "portal.views.broken.broken"
urlpatterns = [
    path("", home, name="home"),
    path("sites/<int:pk>/", site, name="site"),
    path("sites/<int:pk>/ask/", site_ask, name="site_ask"),
    path("sites/<int:pk>/rhythm/", site_rhythm, name="site_rhythm"),
    path("sites/<int:pk>/write/", site_write, name="site_write"),
    path("sites/<int:pk>/edit/", site_edit, name="site_edit"),
    path("sites/<int:pk>/correct/", site_correct, name="site_correct"),
    path("sites/<int:pk>/meters/", site_meters, name="site_meters"),
    path("sites/<int:pk>/customer/", site_hand_over, name="site_hand_over"),
    path("sites/<int:pk>/utility/", utility, name="utility"),
    path("sites/<int:pk>/utility/connect/", utility_connect, name="utility_connect"),
    path("sites/<int:pk>/utility/end/", utility_end, name="utility_end"),
    path("utility/back/", utility_back, name="utility_back"),
    path("utility/notice/", utility_notice, name="utility_notice"),
    path("sites/<int:pk>/erase/", site_erase, name="site_erase"),
    path("fleet/", fleet, name="fleet"),
    path("customers/", customers, name="customers"),
    path("customers/ask/", customers_ask, name="customers_ask"),
    path("customers/customers.csv", customers_csv, name="customers_csv"),
    path("customers/files/", customer_file_new, name="customer_file_new"),
    path("customers/files/<int:pk>/", customer_file, name="customer_file"),
    path("customers/new/", customer_new, name="customer_new"),
    path("customers/<int:pk>/", customer, name="customer"),
    path("customers/<int:pk>/edit/", customer_edit, name="customer_edit"),
    path("customers/<int:pk>/access/", customer_access, name="customer_access"),
    path("customers/<int:pk>/data.zip", customer_data, name="customer_data"),
    path("customers/<int:pk>/erase/", customer_erase, name="customer_erase"),
    path("customers/<int:pk>/sites/new/", site_new, name="site_new"),
    path("business/", business_settings, name="business_settings"),
    path("business/<slug:slug>/", business_settings, name="business_settings_of"),
    path("business/<slug:slug>/logo/", business_logo, name="business_logo"),
    path("business/<slug:slug>/trail/", business_trail, name="business_trail"),
    path("join/<str:token>/", member_join, name="member_join"),
    path("business/<slug:slug>/members/", member_add, name="member_add"),
    path("business/<slug:slug>/members/<int:pk>/remove/", member_remove, name="member_remove"),
    path("method/", method, name="method"),
    path("cautions/", cautions, name="cautions"),
    path("privacy/", privacy, name="privacy"),
    path("visits/", visits, name="visits"),
    path("visits/all/", visit_list, name="visit_list"),
    path("visits/visits.csv", visits_csv, name="visits_csv"),
    path("map/", roof_map, name="map"),
    path("visits/week/", week, name="week"),
    path("visits/week/route/", round_order, name="round_order"),
    path("visits/starts/", start_keep, name="start_keep"),
    path("visits/off/", day_off_new, name="day_off_new"),
    path("visits/off/<int:pk>/end/", day_off_end, name="day_off_end"),
    path("visits/again/<str:token>/", visit_again, name="visit_again"),
    path("visits/wished/<str:token>/", visit_wished, name="visit_wished"),
    path("visits/book/", visit_book, name="visit_book"),
    path("visits/quote/<int:pk>/", visit_quote, name="visit_quote"),
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
    re_path(r"^visits/photos/(?P<pk>\d{1,9})/(?P<size>small|shown|original)/$", visit_photo, name="visit_photo"),
    path("visits/<int:pk>/report/", visit_report, name="visit_report"),
    path("visits/<int:pk>/report.pdf", visit_report_pdf, name="visit_report_pdf"),
    path("visits/<int:pk>/report/share/", visit_report_share, name="visit_report_share"),
    path("r/<str:token>/", shared_report, name="shared_report"),
    path("r/<str:token>/ask/", shared_ask, name="shared_ask"),
    path("r/<str:token>/logo.png", shared_logo, name="shared_logo"),
    path("r/<str:token>/report.pdf", shared_report_pdf, name="shared_report_pdf"),
    re_path(r"^r/(?P<token>[^/]+)/photos/(?P<pk>\d{1,9})/(?P<size>small|shown)/$", shared_photo, name="shared_photo"),
    path("visits/referrals/<int:pk>/", visit_referral, name="visit_referral"),
    path("calendar/<str:token>.ics", calendar_feed, name="calendar_feed"),
    path("imports/", imports, name="imports"),
    path("imports/imports.csv", imports_csv, name="imports_csv"),
    path("imports/new/", import_upload, name="import_upload"),
    path("imports/tokens/", tokens, name="tokens"),
    path("imports/tokens/<int:pk>/revoke/", token_revoke, name="token_revoke"),
    path("imports/<int:pk>/", import_ledger, name="import_ledger"),
    path("imports/<int:pk>/state/", import_state, name="import_state"),
    path("imports/<int:pk>/verdict/", import_verdict, name="import_verdict"),
    path("imports/<int:pk>/how/", import_mapping, name="import_mapping"),  # mails of before name the address
    path("imports/<int:pk>/drawing/", import_drawing, name="import_drawing"),
    path("imports/<int:pk>/clock/", import_clock, name="import_clock"),
    path("imports/<int:pk>/undo/", import_undo, name="import_undo"),
    path("imports/<int:pk>/rejected.csv", import_rejected, name="import_rejected"),
    path("imports/<int:pk>/original/", import_original, name="import_original"),
    path("api/", api_page, name="api_page"),
    path("api/", api.urls),
    path("leads/", leads, name="leads"),
    path("leads/assign/", leads_assign, name="leads_assign"),
    path("leads/leads.csv", leads_csv, name="leads_csv"),
    path("leads/weekly/", leads_weekly, name="leads_weekly"),
    path("leads/<int:pk>/", lead, name="lead"),
    path("leads/<int:pk>/move/", lead_move, name="lead_move"),
    path("leads/<int:pk>/note/", lead_note, name="lead_note"),
    path("leads/<int:pk>/plan/", lead_plan, name="lead_plan"),
    path("leads/<int:pk>/lose/", lead_lose, name="lead_lose"),
    path("leads/<int:pk>/wrong/", lead_wrong, name="lead_wrong"),
    path("leads/<int:pk>/reopen/", lead_reopen, name="lead_reopen"),
    path("leads/<int:pk>/answer/", lead_answer, name="lead_answer"),
    path("leads/<int:pk>/call/", lead_call, name="lead_call"),
    path("calls/<int:pk>/undo/", call_undo, name="call_undo"),
    path("enquiries/<int:pk>/", enquiry, name="enquiry"),
    path("invoices/", invoices, name="invoices"),
    path("invoices/invoices.csv", invoices_csv, name="invoices_csv"),
    path("invoices/month/", invoices_month, name="invoices_month"),
    path("invoices/month/<slug:what>.csv", invoices_month_csv, name="invoices_month_csv"),
    path("invoices/<int:pk>/", invoice, name="invoice"),
    path("invoices/<int:pk>/invoice.pdf", invoice_pdf, name="invoice_pdf"),
    path("invoices/<int:pk>/draft/", invoice_draft, name="invoice_draft"),
    path("invoices/<int:pk>/credit/", invoice_credit, name="invoice_credit"),
    path("invoices/<int:pk>/again/", invoice_again, name="invoice_again"),
    path("invoices/<int:pk>/pay/", payment_add, name="payment_add"),
    path("invoices/payments/<int:pk>/undo/", payment_undo, name="payment_undo"),
    path("i/<str:token>/", shared_invoice, name="shared_invoice"),
    path("i/<str:token>/invoice.pdf", shared_invoice_pdf, name="shared_invoice_pdf"),
    path("reminders/", reminders, name="reminders"),
    path("reminders/<int:pk>/retry/", reminder_retry, name="reminder_retry"),
    path("reminders/rules/", mail_rules, name="mail_rules"),
    path("reminders/words/<slug:slug>/<str:kind>/<str:language>/", mail_wording, name="mail_wording"),
    path("reminders/mails/", mails, name="mails"),
    path("reminders/mails/<int:pk>/", mail, name="mail"),
    path("mail/stop/<str:token>/", mail_stop, name="mail_stop"),
    path("mail/choose/<str:token>/", mail_choices, name="mail_choices"),
    path("rain/", rain, name="rain"),
    path("held/clock/", clock_confirm, name="clock_confirm"),
    path("held/mails/<slug:slug>/", mails_decide, name="mails_decide"),
    path("language/", language, name="language"),
    path("design/", design, name="design"),
    re_path(r"^colours/(?P<accent>[0-9a-f]{6})\.css$", colours, name="colours"),
    path("health/live", live, name="live"),
    path("health/ready", ready, name="ready"),
    path("accounts/email/", login_address, name="account_email"),
    path("accounts/", include("allauth.account.urls")),
    path("accounts/second-step/", include("allauth.mfa.urls")),
    path("accounts/devices/", include("allauth.usersessions.urls")),
    path("admin/", admin.site.urls),
]
if settings.ANYMAIL["WEBHOOK_SECRET"]:  # without one, anybody could report anybody's address as dead
    urlpatterns.append(path("mail/reports/", include("anymail.urls")))
