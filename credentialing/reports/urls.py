from django.urls import path

from credentialing.reports import views

urlpatterns = [
    path("reports/", views.reports, name="reports"),
    path("reports/<uuid:job>/", views.download, name="report_file"),
]
