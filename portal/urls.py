"""Routes."""

from django.contrib import admin
from django.urls import include, path

from portal.views.business import business_logo, business_settings, member_add, member_remove
from portal.views.customers import customer, customer_access, customer_edit, customer_new, customers
from portal.views.home import home
from portal.views.rain import rain
from portal.views.sites import cautions, method, site, site_edit, site_new

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
    path("rain/", rain, name="rain"),
    path("accounts/", include("allauth.account.urls")),
    path("admin/", admin.site.urls),
]
