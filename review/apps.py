from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class ReviewConfig(AppConfig):
    name = "review"
    verbose_name = _("Review")

    def ready(self) -> None:
        from accounts import navigation
        from accounts.signals import programme_created
        from logbook import doors
        from review import rules, texts  # noqa: F401 - rules shut the logbook's doors
        from review.actions.programmes import lay_down

        programme_created.connect(lay_down, dispatch_uid="review")
        navigation.register(
            navigation.Item(_("Reading list"), "review:list", "READ_EXAMS", order=10),
            navigation.Item(_("Signed"), "review:signed", "READ_EXAMS", order=15),
            navigation.Item(
                _("At the bedside"),
                "review:assessments",
                "MEMBER",
                20,
                frozenset({"faculty", "trainee"}),
            ),
            faculty="review:list",
        )
        doors.show_exams_at("review:exam")
        navigation.register_settings(
            navigation.Item(_("Rubrics"), "review:rubric_reading", "CHANGE_SETTINGS", order=35),
            navigation.Item(_("Credit rule"), "review:credit_rule", "CHANGE_SETTINGS", order=30),
        )
