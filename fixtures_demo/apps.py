from django.apps import AppConfig


class DemonstrationConfig(AppConfig):
    """An invented programme. Nothing above or below it needs it."""

    name = "fixtures_demo"
