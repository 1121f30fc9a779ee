from django.urls import path

from review import views

app_name = "review"
urlpatterns = [
    path("reading/", views.reading_list, name="list"),
    path("reading/next/", views.take_next, name="next"),
    path("reading/signed/", views.signed, name="signed"),
    path("reading/signed/<uuid:attestation_id>/correct/", views.correct, name="correct"),
    path("reading/urgent/<uuid:discrepancy_id>/told/", views.told, name="told"),
    path("reading/<uuid:exam_id>/", views.desk, name="desk"),
    path("reading/<uuid:exam_id>/take/", views.take, name="take"),
    path("reading/<uuid:exam_id>/save/", views.save, name="save"),
    path("reading/<uuid:exam_id>/reveal/", views.reveal, name="reveal"),
    path("reading/<uuid:exam_id>/sign/", views.sign, name="sign"),
    path("reading/<uuid:exam_id>/return/", views.return_, name="return"),
    path("reading/<uuid:exam_id>/set-aside/", views.set_aside, name="set_aside"),
    path("reading/<uuid:exam_id>/release/", views.release, name="release"),
    path("reading/<uuid:exam_id>/captures/<uuid:capture_id>/cover/", views.cover, name="cover"),
    path(
        "reading/<uuid:exam_id>/captures/<uuid:capture_id>/cover/letters/",
        views.cover_letters,
        name="cover_letters",
    ),
    path(
        "reading/<uuid:exam_id>/captures/<uuid:capture_id>/take-out/",
        views.take_out,
        name="take_out",
    ),
    path(
        "reading/<uuid:exam_id>/captures/<uuid:capture_id>/put-back/",
        views.put_back,
        name="put_back",
    ),
    path("feedback/<uuid:exam_id>/", views.exam, name="exam"),
    path("feedback/urgent/<uuid:discrepancy_id>/", views.acknowledge, name="acknowledge"),
    path("feedback/<uuid:exam_id>/exception/", views.exception, name="exception"),
    path("bedside/", views.assessments, name="assessments"),
    path("bedside/new/<uuid:membership_id>/", views.assess, name="assess"),
    path("bedside/<uuid:assessment_id>/", views.assessment, name="assessment"),
    path(
        "bedside/<uuid:assessment_id>/correct/", views.assessment_correct, name="assessment_correct"
    ),
    path("settings/rubric/<slug:kind>/", views.rubric, name="rubric"),
    path("settings/rubric/", views.rubric, name="rubric_reading"),
    path("settings/credit/", views.credit_rule, name="credit_rule"),
]
