from django.apps import AppConfig


class UiConfig(AppConfig):
    name = "accounts.ui"
    label = "ui"
