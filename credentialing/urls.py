from credentialing.reports import urls as reports

app_name = "credentialing"
urlpatterns = [*reports.urlpatterns]
