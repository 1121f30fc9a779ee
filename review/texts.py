"""The words of this floor's notices: never a patient, never an answer."""

from django.urls import reverse
from django.utils.translation import gettext as _

from accounts import notices
from accounts.texts import address


def _exam(notice, context) -> str:
    return address(reverse("review:exam", args=[notice.programme.code, context["exam"]]))


def urgent(notice, context) -> tuple[str, str]:
    return (
        _("Look at exam %(code)s now") % {"code": context["code"]},
        _(
            "Hello %(name)s,\n\nthe reader of exam %(code)s marked something that may matter to "
            "the patient now. Open it and say that you have seen it:\n%(url)s\n\nThis message is "
            "not how the team at the bedside is told: they are telephoned."
        )
        % {"name": notice.person.name, "code": context["code"], "url": _exam(notice, context)},
    )


def returned(notice, context) -> tuple[str, str]:
    return (
        _("Exam %(code)s needs something from you") % {"code": context["code"]},
        _(
            "Hello %(name)s,\n\nthe reader of exam %(code)s asks for something before it can be "
            "read to the end. What is asked stands here:\n%(url)s"
        )
        % {"name": notice.person.name, "code": context["code"], "url": _exam(notice, context)},
    )


def assessed(notice, context) -> tuple[str, str]:
    path = reverse("review:assessment", args=[notice.programme.code, context["assessment"]])
    return (
        _("Somebody signed what they watched at the bedside"),
        _(
            "Hello %(name)s,\n\na bedside assessment of your scanning was signed. It stands "
            "here:\n%(url)s"
        )
        % {"name": notice.person.name, "url": address(path)},
    )


notices.register("review.assessed", assessed)
notices.register("review.urgent", urgent)
notices.register("review.returned", returned)
