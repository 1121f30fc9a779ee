"""The forms beside a file: where it was recorded, and what of it is to be hidden."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.errors import Refused
from logbook.capture_rules import DEPTH_MM
from logbook.intake.facts import Facts, Rectangle
from logbook.intake.marks import Marks, can_measure
from logbook.intake.masks import MOST_RECTANGLES, is_covered
from logbook.models import Capture
from logbook.queries import Logbook

SIDES = ("x0", "y0", "x1", "y1")
SPARE_ROWS = 3


class CaptureForm(forms.Form):
    """What is said about a capture. The file itself goes past the form into staging."""

    capture_id = forms.UUIDField(widget=forms.HiddenInput)
    zone = forms.ChoiceField(label=gettext_lazy("Zone"))
    probe = forms.ChoiceField(label=gettext_lazy("Probe"), required=False)
    depth_cm = forms.DecimalField(
        label=gettext_lazy("Depth in cm"),
        required=False,
        max_digits=4,
        decimal_places=1,
        min_value=DEPTH_MM[0] / 10,
        max_value=DEPTH_MM[1] / 10,
        localize=True,
    )
    mode = forms.ChoiceField(label=gettext_lazy("Mode"))
    kept = forms.ChoiceField(
        label=gettext_lazy("Where is it kept?"),
        choices=[
            ("here", gettext_lazy("Send it here")),
            ("archive", gettext_lazy("It is in the department’s archive")),
        ],
        widget=forms.RadioSelect,
        initial="here",
    )
    file = forms.FileField(label=gettext_lazy("File"), required=False, allow_empty_file=True)

    def __init__(self, logbook: Logbook, data: Any = None, *, last: Capture | None = None) -> None:
        """``last``: the exam's latest capture, whose probe and depth the next likely repeats."""
        initial: dict[str, Any] = {"capture_id": uuid.uuid4(), "mode": "b"}
        if last is not None:
            depth = last.depth_mm / 10 if last.depth_mm else None
            initial |= {"probe": last.probe, "mode": last.mode, "depth_cm": depth}
        super().__init__(data, initial=initial)
        zones = logbook.parameters.zones.zones
        self.fields["zone"].choices = [
            ("", _("Choose…")),
            *((zone.code, f"{zone.code}, {_(zone.name)}") for zone in zones),
        ]
        for name in ("probe", "mode"):
            values = [(value.code, _(value.text)) for value in logbook.lists[name]]
            blank = [("", _("Choose…"))] if name == "probe" else []
            self.fields[name].choices = [*blank, *values]

    @property
    def described(self) -> dict[str, Any]:
        """The keywords of the actions."""
        said = self.cleaned_data
        depth = said["depth_cm"]
        return {
            "capture_id": said["capture_id"],
            "zone": said["zone"],
            "probe": said["probe"],
            "mode": said["mode"],
            "depth_mm": None if depth is None else round(depth * 10),
        }

    def refuse(self, refused: Refused) -> None:
        """Puts a refusal beside its field; what is said already is not said again."""
        if refused.code == "form":
            return
        self.add_error(refused.field if refused.field in self.fields else None, refused.sentence)


class RectanglesForm(forms.Form):
    """Rectangles in percent of the picture, a row each; a row left empty is none.

    Works with numbers alone; a script draws the same fields on the picture.
    """

    letters: Iterable[dict[str, str]] = ()

    def __init__(self, data: Any = None, *, suggested: Iterable[Rectangle] = ()) -> None:
        super().__init__(data)
        self.suggested = list(suggested)
        asked = self.data.get("rows", "")
        least = len(self.suggested) + SPARE_ROWS
        self.row_count = min(int(asked), 64) if asked.isdigit() else least
        for row in range(self.row_count):
            given = self.suggested[row] if row < len(self.suggested) else None
            for side in SIDES:
                self.fields[f"{side}-{row}"] = forms.FloatField(
                    required=False,
                    min_value=0,
                    max_value=100,
                    initial=None if given is None else round(getattr(given, side) * 100, 2),
                    widget=forms.NumberInput(
                        attrs={"step": "0.01", "inputmode": "decimal", "class": "mask-number"}
                    ),
                )

    def clean(self) -> None:
        self.mask = []
        for row in range(self.row_count):
            sides = [self.cleaned_data.get(f"{side}-{row}") for side in SIDES]
            if all(side is None for side in sides):
                continue
            if any(side is None for side in sides):
                if not any(f"{side}-{row}" in self.errors for side in SIDES):
                    self.add_error(f"x0-{row}", _("Give all four numbers of a rectangle, or none."))
                continue
            rectangle = Rectangle(*(side / 100 for side in sides))
            if rectangle.valid:
                self.mask.append(rectangle)
            else:
                self.add_error(
                    f"x0-{row}",
                    _("From must be smaller than to, across and down."),
                )

    @property
    def is_final(self) -> bool:
        """Confirmed; otherwise only to be shown as typed."""
        return self.data.get("then") == "confirm"

    @property
    def shown(self) -> list[dict[str, str]]:
        """The rectangles to draw on the picture, in thousandths, as plain text for SVG."""
        mask = self.mask if self.is_bound and self.is_valid() else self.suggested
        return [as_drawing(one) for one in mask]

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The four fields of each row, with the words for them."""
        words = {
            "x0": _("from left"),
            "y0": _("from top"),
            "x1": _("to, across"),
            "y1": _("to, down"),
        }
        return [
            {
                "number": row + 1,
                "fields": [
                    {"bound": self[f"{side}-{row}"], "label": words[side]} for side in SIDES
                ],
            }
            for row in range(self.row_count)
        ]


class MaskForm(RectanglesForm):
    """What is hidden of a picture that waits. What the file says of itself is offered here and
    taken only where the person ticks it."""

    side = forms.ChoiceField(
        label=gettext_lazy("The probe’s mark"),
        required=False,
        choices=[
            ("", gettext_lazy("can still be seen")),
            ("left", gettext_lazy("draw it on the left")),
            ("right", gettext_lazy("draw it on the right")),
        ],
        widget=forms.RadioSelect,
    )
    ruler = forms.BooleanField(
        label=gettext_lazy("Draw a depth scale beside the image"), required=False, initial=True
    )
    take_depth = forms.BooleanField(required=False)
    text_answered = forms.BooleanField(
        label=gettext_lazy("What can still be read names nobody"),
        help_text=gettext_lazy("No name, number, date or place of a patient."),
        required=False,
    )

    def __init__(self, data: Any = None, *, facts: Facts, depth_mm: int | None = None) -> None:
        """`depth_mm` is what the capture says already."""
        super().__init__(data, suggested=suggested_mask(facts))
        self.letters = [as_drawing(one) for one in facts.text]
        if not can_measure(facts):
            del self.fields["ruler"]
        if not facts.text:
            del self.fields["text_answered"]
        self.depth_offered = offered_depth(facts, depth_mm)
        if self.depth_offered is None:
            del self.fields["take_depth"]
        else:
            words = {"cm": f"{self.depth_offered / 10:.1f}"}
            self.fields["take_depth"].label = _("Note %(cm)s cm as the depth") % words

    @property
    def said(self) -> dict[str, Any]:
        """The keywords of the action."""
        said = self.cleaned_data
        return {
            "mask": self.mask,
            "marks": Marks(ruler=bool(said.get("ruler")), side=said["side"]),
            "text_answered": bool(said.get("text_answered")),
            "depth_mm": self.depth_offered if said.get("take_depth") else None,
        }


def suggested_mask(facts: Facts) -> list[Rectangle]:
    """What lies outside the image, and letters inside it with a little room around them."""
    room = 0.006
    letters = [
        Rectangle(
            max(one.x0 - room, 0),
            max(one.y0 - room, 0),
            min(one.x1 + room, 1),
            min(one.y1 + room, 1),
        )
        for one in facts.text
        if not is_covered(one, facts.mask)
    ]
    return [*facts.mask, *letters][:MOST_RECTANGLES]


def offered_depth(facts: Facts, noted_mm: int | None) -> int | None:
    """The extent of the file's region in whole millimetres, where it tells the person anything
    new: nothing is noted, or what is noted lies more than a fifth away."""
    extent = facts.suggestions.depth_mm
    if extent is None or not DEPTH_MM[0] <= extent <= DEPTH_MM[1]:
        return None
    if noted_mm is not None and abs(noted_mm - extent) <= extent / 5:
        return None
    return round(extent)


def as_drawing(one: Rectangle) -> dict[str, str]:
    """In thousandths of the picture, as plain text for SVG."""
    return {
        "x": f"{one.x0 * 1000:.2f}",
        "y": f"{one.y0 * 1000:.2f}",
        "width": f"{(one.x1 - one.x0) * 1000:.2f}",
        "height": f"{(one.y1 - one.y0) * 1000:.2f}",
    }
