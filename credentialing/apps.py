from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CredentialingConfig(AppConfig):
    name = "credentialing"
    verbose_name = _("Credentialing")

    def ready(self) -> None:
        from accounts import navigation
        from accounts.signals import membership_begun, programme_created
        from credentialing import (
            ahead,
            cohort,
            digest,  # noqa: F401 - the letter registers its words
            tasks,
        )
        from credentialing.actions import plans
        from review.signals import attested

        programme_created.connect(plans.lay_down, dispatch_uid="credentialing")
        membership_begun.connect(plans.give_to_newcomer, dispatch_uid="credentialing")
        attested.connect(tasks.nudge, dispatch_uid="credentialing")
        cohort.SECTIONS.append(ahead.of_trainee)
        cohort.BESIDE.append(ahead.beside)
        trainee, office = frozenset({"trainee"}), frozenset({"coordinator", "director"})
        readers = frozenset({"trainee", "faculty", "coordinator"})
        navigation.register(
            navigation.Item(_("My numbers"), "credentialing:home", "SEE_OWN", 5, trainee),
            navigation.Item(_("Cohort"), "credentialing:cohort", "SEE_COHORT", 5, office),
            # A director finds it on the page of all of them.
            navigation.Item(_("Plan"), "credentialing:plan", "MEMBER", 60, readers),
            navigation.Item(_("Plans"), "credentialing:plans", "MANAGE_PLANS", order=62),
            navigation.Item(_("Reports"), "credentialing:reports", "EXPORT_REPORTS", order=65),
            navigation.Item(_("My reports"), "credentialing:own_reports", "SEE_OWN", 66, trainee),
            trainee="credentialing:home",
            coordinator="credentialing:cohort",
            director="credentialing:cohort",
        )
        navigation.register_settings(
            navigation.Item(_("Reports"), "credentialing:report_sheet", "CHANGE_SETTINGS", order=60)
        )
