from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class AccountsConfig(AppConfig):
    name = "accounts"
    verbose_name = _("People and programmes")

    def ready(self) -> None:
        from accounts import append_only, navigation, signals, texts  # noqa: F401

        append_only.connect()
        navigation.register(
            navigation.Item(_("People"), "accounts:people", "MANAGE_PEOPLE", order=70),
            navigation.Item(_("Settings"), "accounts:settings", "CHANGE_SETTINGS", order=80),
        )
        navigation.register_settings(
            navigation.Item(_("Programme"), "accounts:settings", "CHANGE_SETTINGS", order=10)
        )
