from django.urls import URLPattern

app_name = "credentialing"
urlpatterns: list[URLPattern] = []
