"""Addresses outside any programme, for whoever holds a report."""

from django.urls import path

from credentialing.reports import check_views

urlpatterns = [path("check/", check_views.page, name="report_check")]
