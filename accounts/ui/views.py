"""The gallery: every component on one page, for eyes and for the checks of its structure."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django import forms
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _

from accounts.ui.trace import Step


@dataclass(frozen=True)
class _Answer:
    right: str = ""
    left: str = ""
    pattern: str = ""
    limited: bool = False


class _SampleForm(forms.Form):
    """Every shape that a field can take, with nothing behind it."""

    place = forms.CharField(label="Place", help_text="The ward or room, not the bed.")
    performed_on = forms.DateField(
        label="Performed on", widget=forms.DateInput(attrs={"type": "date"})
    )
    age_band = forms.ChoiceField(
        label="Age band",
        choices=[("a", "18 to 64"), ("b", "65 to 89"), ("c", "90 and over")],
    )
    right = forms.ChoiceField(
        label="Pneumothorax, patient’s right",
        widget=forms.RadioSelect,
        choices=[("p", "positive"), ("n", "negative"), ("i", "indeterminate")],
    )
    confidence = forms.ChoiceField(
        label="Confidence",
        widget=forms.RadioSelect,
        choices=[("s", "sure"), ("f", "fairly"), ("u", "unsure")],
    )
    signs = forms.MultipleChoiceField(
        label="Signs seen",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        choices=[
            ("s", "lung sliding"),
            ("b", "B-lines, three or more"),
            ("p", "lung point"),
        ],
    )
    captures = forms.FileField(label="Captures", required=False)
    note = forms.CharField(
        label="One sentence", required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    told = forms.BooleanField(label="The treating clinician was told")


def _steps() -> list[Step]:
    """A trace with a signal and, after it, an alarm."""
    depths = [0.2 * n for n in range(1, 9)] + [0.7, *(0.7 + 0.2 * n for n in range(1, 10))]
    found = [Step(depth, missed=depth == 0.7, href="#scan", says="a scan") for depth in depths]
    found[-1] = Step(depths[-1], event="signal", href="#scan", says="signal")
    watched = [0.9, 0.7, 1.6, 2.5]
    found += [Step(depth, missed=depth > 0.7, phase=1, href="#scan") for depth in watched]
    found[-1] = Step(2.5, missed=True, phase=1, event="alarm", href="#scan", says="alarm")
    return found


def _fan() -> dict[str, Any]:
    start = dt.date(2026, 3, 1)
    return {
        "days": [start + dt.timedelta(days=14 * n) for n in range(9)],
        "low": [12, 12, 13, 14, 15, 16, 17, 18, 18],
        "middle": [12, 14, 15, 17, 19, 21, 23, 24, 26],
        "high": [12, 16, 19, 21, 24, 27, 29, 32, 34],
    }


def _sample() -> dict[str, Any]:
    return {
        "steps": _steps(),
        "limits": {0: 2.4, 1: 2.2},
        "limit_words": {0: "signal", 1: "alarm"},
        "fan": _fan(),
        "form": _SampleForm(prefix="blank"),
        "refused": _SampleForm({"refused-place": "", "refused-right": ""}, prefix="refused"),
        "answers": [
            (_Answer(right="positive", left="negative"), "sure"),
            (_Answer(right="indeterminate", left="negative"), ""),
            (_Answer(pattern="diffuse"), ""),
            (_Answer(pattern="focal", left="positive"), "unsure"),
            (_Answer(pattern="none"), ""),
            (_Answer(limited=True), ""),
            (None, ""),
        ],
        "zones": {
            "R1": {"state": "imaged", "word": "1 clip"},
            "R2": {"state": "imaged", "word": "2 clips"},
            "R3": {"state": "finding", "word": "B-lines"},
            "R4": {"state": "missing"},
            "L1": {"state": "imaged", "word": "1 clip"},
            "LB": {"state": "finding", "word": "fluid"},
        },
        "zones_twelve": {"R5": {"state": "imaged"}, "L6": {"state": "missing"}},
        "states": [
            "draft",
            "received",
            "needs_you",
            "submitted",
            "held",
            "attested",
            "not_credited",
            "returned",
            "set_aside",
            "agrees",
            "disagrees",
            "urgent",
            "met",
            "open",
            "lapsed",
            "unknown",
        ],
        "shell": {
            "programme": {"name": "Emergency Medicine"},
            "programmes": [
                {
                    "name": "Emergency Medicine",
                    "institution": "Hillside Teaching Hospital",
                    "url": "#a",
                    "current": True,
                },
                {
                    "name": "Intensive Care",
                    "institution": "Hillside Teaching Hospital",
                    "url": "#b",
                    "current": False,
                },
            ],
            "menu": [
                {"label": "Home", "url": "#home", "current": True},
                {"label": "Record an exam", "url": "#record"},
                {"label": "Exams", "url": "#exams"},
                {"label": "Reading list", "url": "#reading", "count": 40},
            ],
            "roles": [
                {"label": "Trainee", "url": "#trainee", "current": True},
                {"label": "Faculty", "url": "#faculty", "current": False},
            ],
            "role": "Trainee",
            "person": {"name": "Ines Valkama"},
            "own": [{"label": "Password", "url": "#password"}],
            "home_url": "/",
            "sign_out_url": "/sign-in/out/",
        },
        "people": [
            {
                "name": "Ines Valkama",
                "value": 18,
                "waiting": 3,
                "word": "",
                "state": "",
            },
            {
                "name": "Tomas Oyelaran",
                "value": 31,
                "waiting": 0,
                "word": "met 3 March",
                "state": "",
            },
            {
                "name": "Ruth Castellane",
                "value": 26,
                "waiting": 0,
                "word": "",
                "state": "lapsed",
            },
            {"name": "Dov Amsel", "value": None, "waiting": 2, "word": "", "state": ""},
        ],
        "page_title": _("Every component"),
    }


def gallery(request: HttpRequest) -> HttpResponse:
    """Every component, in the light of the page or (`?room`) of the reading room."""
    if not getattr(settings, "LOOK_GALLERY", settings.DEBUG):
        raise Http404
    return render(request, "ui/gallery.html", {**_sample(), "room": "room" in request.GET})
