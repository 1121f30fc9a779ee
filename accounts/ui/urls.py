from django.urls import path

from accounts.ui import views

app_name = "ui"

urlpatterns = [path("look/", views.gallery, name="gallery")]
