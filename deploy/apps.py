from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class DeployConfig(AppConfig):
    name = "deploy"
    verbose_name = _("Operation")

    def ready(self) -> None:
        from deploy import checks  # noqa: F401  (registers the system checks)
