from django.urls import path

from logbook import api

urlpatterns = [
    path("exams", api.ExamList.as_view(), name="api_exams"),
    path("exams/<uuid:exam_id>", api.ExamDetail.as_view(), name="api_exam"),
    path("exams/<uuid:exam_id>/submission", api.Submission.as_view(), name="api_submission"),
]
