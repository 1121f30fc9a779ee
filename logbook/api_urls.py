from django.urls import path

from logbook import api
from logbook.tus import api as tus

urlpatterns = [
    path("exams", api.ExamList.as_view(), name="api_exams"),
    path("exams/<uuid:exam_id>", api.ExamDetail.as_view(), name="api_exam"),
    path("exams/<uuid:exam_id>/submission", api.Submission.as_view(), name="api_submission"),
    path("exams/<uuid:exam_id>/uploads", tus.UploadBegin.as_view(), name="api_uploads"),
    path("uploads/<uuid:upload_id>", tus.UploadDetail.as_view(), name="api_upload"),
]
