from django.urls import path

from logbook import capture_views, scanner_views, views
from logbook.people_views import may_read
from logbook.programme_views import application, settings, value_add, value_retire
from logbook.strip_views import capture_strip
from logbook.teaching_views import teaching_file, teaching_set

app_name = "logbook"
urlpatterns = [
    path("exams/", views.exam_list, name="exam_list"),
    path("exams/new/", views.exam_new, name="exam_new"),
    path("exams/<uuid:exam_id>/", views.exam, name="exam"),
    path("exams/<uuid:exam_id>/edit/", views.exam_edit, name="exam_edit"),
    path("exams/<uuid:exam_id>/submit/", views.exam_submit, name="exam_submit"),
    path("exams/<uuid:exam_id>/withdraw/", views.exam_withdraw, name="exam_withdraw"),
    path("exams/<uuid:exam_id>/drop-changes/", views.exam_drop_edit, name="exam_drop_edit"),
    path("exams/<uuid:exam_id>/captures/", capture_views.capture_list, name="captures"),
    path("exams/<uuid:exam_id>/captures/add/", capture_views.capture_add, name="capture_add"),
    path("captures/<uuid:capture_id>/mask/", capture_views.capture_mask, name="capture_mask"),
    path(
        "captures/<uuid:capture_id>/preview/",
        capture_views.capture_preview,
        name="capture_preview",
    ),
    path("captures/<uuid:capture_id>/remove/", capture_views.capture_remove, name="capture_remove"),
    *(
        path(
            f"captures/<uuid:capture_id>/{part}/",
            capture_views.capture_file,
            {"part": part},
            name=f"capture_{part}",
        )
        for part in ("master", "poster", "play")
    ),
    path("performed/", scanner_views.scanner_counts_page, name="scanner_counts"),
    path("captures/<uuid:capture_id>/strip/", capture_strip, name="capture_strip"),
    path("settings/teaching/", teaching_set, name="teaching_set"),
    path("settings/teaching/<uuid:capture_id>/", teaching_file, name="teaching_file"),
    path("supervision/", views.shifts, name="shifts"),
    path("people/<uuid:membership>/may-read/", may_read, name="may_read"),
    path("settings/logbook/", settings, name="settings"),
    path("settings/logbook/applications/new/", application, name="application_new"),
    path("settings/logbook/applications/<slug:code>/", application, name="application"),
    path("settings/logbook/values/", value_add, name="value_add"),
    path("settings/logbook/values/<uuid:value_id>/retire/", value_retire, name="value_retire"),
]
