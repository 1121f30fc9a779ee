from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CredentialingConfig(AppConfig):
    name = "credentialing"
    verbose_name = _("Credentialing")
