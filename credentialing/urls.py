from django.urls import path

from credentialing import cohort_views, plan_views, record_views, summary_views, views
from credentialing.curves import views as curves
from credentialing.forecasts import views as forecasts
from credentialing.reports import issued_views as issued
from credentialing.reports import settings_views as reports_settings
from credentialing.reports import views as reports

app_name = "credentialing"
urlpatterns = [
    path("home/", views.home, name="home"),
    path("home/<int:ordinal>/", views.own_number, name="own_number"),
    path("cohort/", cohort_views.cohort, name="cohort"),
    path("cohort/<uuid:membership_id>/", cohort_views.trainee, name="trainee"),
    path("cohort/<uuid:membership_id>/<int:ordinal>/", views.number, name="number"),
    path("home/seen/", cohort_views.seen, name="seen"),
    path("home/record/", record_views.own_record, name="own_record"),
    path("cohort/<uuid:membership_id>/record/", record_views.record, name="record"),
    path(
        "cohort/<uuid:membership_id>/record/<slug:kind>/new/",
        record_views.record_add,
        name="record_add",
    ),
    path(
        "cohort/<uuid:membership_id>/record/<slug:kind>/<uuid:row_id>/",
        record_views.record_change,
        name="record_change",
    ),
    path("cohort/month/", summary_views.summary, name="summary"),
    path("cohort/letter/", cohort_views.choose_letter, name="digest"),
    path("cohort/counts/", summary_views.runs, name="runs"),
    path("cohort/counts/<uuid:run_id>/", summary_views.run, name="run"),
    path("home/curve/<slug:code>/", curves.own_curve, name="own_curve"),
    path("cohort/<uuid:membership_id>/curve/<slug:code>/", curves.curve, name="curve"),
    path("outlook/", forecasts.outlook, name="outlook"),
    path("plan/", views.plan, name="plan"),
    path("plans/", plan_views.plans, name="plans"),
    path("plans/drafts/<uuid:draft_id>/", plan_views.plan_draft, name="plan_draft"),
    path("plans/drafts/<uuid:draft_id>/away/", plan_views.plan_drop, name="plan_drop"),
    path("plans/drafts/<uuid:draft_id>/publish/", plan_views.plan_publish, name="plan_publish"),
    path("plans/drafts/<uuid:draft_id>/what-if/", plan_views.plan_what_if, name="plan_what_if"),
    path("plans/<uuid:version_id>/", plan_views.plan_version, name="plan_version"),
    path("plans/<uuid:version_id>/file/", plan_views.plan_file, name="plan_file"),
    path(
        "plans/<uuid:version_id>/beside/<uuid:other_id>/",
        plan_views.plan_compare,
        name="plan_compare",
    ),
    path("reports/", reports.reports, name="reports"),
    path("reports/<uuid:job>/", reports.download, name="report_file"),
    path("reports/issue/", issued.issue, name="report_issue"),
    path("reports/issued/<uuid:report>/", issued.one, name="report_issued"),
    path("reports/issued/<uuid:report>/revoke/", issued.revoke, name="report_revoke"),
    path("reports/issued/<uuid:report>/file/", issued.signed, name="report_signed"),
    path("reports/batch/", issued.batch_new, name="batch_new"),
    path("reports/batch/<uuid:job>/", issued.batch, name="batch"),
    path("reports/batch/<uuid:job>/zip/", issued.batch_zip, name="batch_zip"),
    path("reports/keys/", reports_settings.keys, name="signing_keys"),
    path("reports/keys/<uuid:key>/", reports_settings.certificate, name="certificate"),
    path("home/reports/", issued.own, name="own_reports"),
    path("settings/reports/", reports_settings.sheet, name="report_sheet"),
]
