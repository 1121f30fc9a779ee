from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class LogbookConfig(AppConfig):
    name = "logbook"
    verbose_name = _("Logbook")

    def ready(self) -> None:
        from accounts import navigation
        from accounts.signals import programme_created
        from logbook.actions.programmes import lay_down

        programme_created.connect(lay_down, dispatch_uid="logbook")
        navigation.register(
            navigation.Item(_("Record"), "logbook:exam_new", "RECORD_EXAMS", order=20),
            navigation.Item(_("My exams"), "logbook:exam_list", "RECORD_EXAMS", order=25),
            navigation.Item(
                _("Performed"),
                "logbook:scanner_counts",
                "MANAGE_PEOPLE",
                75,
                frozenset({"coordinator"}),
            ),
            navigation.Item(_("Supervision"), "logbook:shifts", "CONFIRM_SUPERVISION", order=40),
        )
        navigation.register_settings(
            navigation.Item(_("Logbook"), "logbook:settings", "CHANGE_SETTINGS", order=20)
        )
        navigation.register_about_reader("logbook:may_read")
