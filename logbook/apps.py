from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class LogbookConfig(AppConfig):
    name = "logbook"
    verbose_name = _("Logbook")
