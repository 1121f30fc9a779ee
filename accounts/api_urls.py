from django.urls import path

from accounts import api

urlpatterns = [path("whoami", api.whoami, name="api_whoami")]
