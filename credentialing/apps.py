from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CredentialingConfig(AppConfig):
    name = "credentialing"
    verbose_name = _("Credentialing")

    def ready(self) -> None:
        from accounts import navigation
        from accounts.signals import membership_begun, programme_created
        from credentialing import tasks
        from credentialing.actions import plans
        from review.signals import attested

        programme_created.connect(plans.lay_down, dispatch_uid="credentialing")
        membership_begun.connect(plans.give_to_newcomer, dispatch_uid="credentialing")
        attested.connect(tasks.nudge, dispatch_uid="credentialing")
        trainee, office = frozenset({"trainee"}), frozenset({"coordinator", "director"})
        navigation.register(
            navigation.Item(_("My numbers"), "credentialing:home", "SEE_OWN", 5, trainee),
            navigation.Item(_("Cohort"), "credentialing:cohort", "SEE_COHORT", 5, office),
            navigation.Item(_("Plan"), "credentialing:plan", "MEMBER", order=60),
            navigation.Item(_("Reports"), "credentialing:reports", "EXPORT_REPORTS", order=65),
            trainee="credentialing:home",
            coordinator="credentialing:cohort",
            director="credentialing:cohort",
        )
