from django.urls import path

from credentialing import views
from credentialing.reports import views as reports

app_name = "credentialing"
urlpatterns = [
    path("home/", views.home, name="home"),
    path("home/<int:ordinal>/", views.own_number, name="own_number"),
    path("cohort/", views.cohort, name="cohort"),
    path("cohort/<uuid:membership_id>/", views.trainee, name="trainee"),
    path("cohort/<uuid:membership_id>/<int:ordinal>/", views.number, name="number"),
    path("plan/", views.plan, name="plan"),
    path("reports/", reports.reports, name="reports"),
    path("reports/<uuid:job>/", reports.download, name="report_file"),
]
