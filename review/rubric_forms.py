"""Changing a rubric: rewording what stands keeps its code, what is new gets one of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django import forms
from django.utils.text import slugify
from django.utils.translation import gettext as _

from review.rubrics import AS_EXPECTED, Item, Mark, Rubric

NEW = "new"
WORD, TEXT, HELP = 40, 120, 300


@dataclass(frozen=True)
class ItemFields:
    """The fields of one item, for the template."""

    title: str
    name: forms.BoundField
    help: forms.BoundField
    choices: list[forms.BoundField]
    more: forms.BoundField
    drop: forms.BoundField | None


class RubricForm(forms.Form):
    """`used`: every code that an item or a choice ever had here, so that none gets a second
    meaning."""

    def __init__(self, data=None, *, rubric: Rubric, used: Iterable[str] = ()) -> None:
        self.rubric, self.used = rubric, set(used)
        super().__init__(data)
        for mark in rubric.quality:
            self.fields[f"word_{mark.value}"] = forms.CharField(
                label=_("Step %(n)s in a word") % {"n": mark.value},
                initial=mark.word,
                max_length=WORD,
            )
            self.fields[f"means_{mark.value}"] = forms.CharField(
                label=_("What step %(n)s means") % {"n": mark.value},
                initial=mark.means,
                max_length=HELP,
            )
        for item in rubric.items:
            self._add_item(item.code, item)
        self._add_item(NEW, None)

    def _add_item(self, code: str, item: Item | None) -> None:
        new = item is None
        self.fields[f"{code}-name"] = forms.CharField(
            label=_("Name"),
            initial="" if new else item.name,
            max_length=TEXT,
            required=not new,
        )
        self.fields[f"{code}-help"] = forms.CharField(
            label=_("What to look for"),
            initial="" if new else item.help,
            max_length=HELP,
            required=False,
        )
        for choice, text in () if new else item.choices[1:]:
            self.fields[f"{code}-choice-{choice}"] = forms.CharField(
                label=_("Choice"), initial=text, max_length=TEXT, required=False
            )
        self.fields[f"{code}-more"] = forms.CharField(
            label=_("More choices, one a line"),
            required=False,
            max_length=TEXT * 10,
            widget=forms.Textarea(attrs={"rows": 2}),
        )
        if not new:
            self.fields[f"{code}-drop"] = forms.BooleanField(
                label=_("Leave this item out from now on"), required=False
            )

    @property
    def steps(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        return [(self[f"word_{m.value}"], self[f"means_{m.value}"]) for m in self.rubric.quality]

    @property
    def items(self) -> list[ItemFields]:
        codes = [*((item.code, item.name) for item in self.rubric.items), (NEW, _("A new item"))]
        return [
            ItemFields(
                title=title,
                name=self[f"{code}-name"],
                help=self[f"{code}-help"],
                choices=[self[n] for n in self.fields if n.startswith(f"{code}-choice-")],
                more=self[f"{code}-more"],
                drop=self[f"{code}-drop"] if code != NEW else None,
            )
            for code, title in codes
        ]

    def clean(self):
        d = super().clean()
        if not self.errors:
            self._made()
        return d

    def _made(self) -> None:
        """Builds the rubric; what cannot be said in it is an error of its field."""
        d, items, taken = self.cleaned_data, [], set(self.used)
        for item in self.rubric.items:
            if not d[f"{item.code}-drop"]:
                items.append(self._item(item.code, item.code, item.choices, taken))
        if d[f"{NEW}-name"].strip():
            code = _fresh(d[f"{NEW}-name"], taken)
            items.append(self._item(NEW, code, [(AS_EXPECTED, "as expected")], taken))
        elif d[f"{NEW}-more"].strip():
            self.add_error(f"{NEW}-name", _("Name the new item."))
        if self.errors:
            return
        self.made = Rubric(
            code=self.rubric.code,
            kind=self.rubric.kind,
            name=self.rubric.name,
            quality_cut=self.rubric.quality_cut,
            quality=tuple(
                Mark(m.value, d[f"word_{m.value}"].strip(), d[f"means_{m.value}"].strip())
                for m in self.rubric.quality
            ),
            items=tuple(items),
        )

    def _item(self, prefix: str, code: str, before, taken: set[str]) -> Item:
        d = self.cleaned_data
        choices = [before[0]]
        for choice, _text in before[1:]:
            if text := d[f"{prefix}-choice-{choice}"].strip():
                choices.append((choice, text))
        for line in d[f"{prefix}-more"].splitlines():
            if text := line.strip()[:TEXT]:
                choices.append((_fresh(text, taken), text))
        if len(choices) < 2:
            self.add_error(
                f"{prefix}-more", _("Beside “as expected” there has to be one more choice.")
            )
        return Item(code, d[f"{prefix}-name"].strip(), d[f"{prefix}-help"].strip(), tuple(choices))


def _fresh(text: str, taken: set[str]) -> str:
    """A code that was never used here."""
    stem = slugify(text).replace("-", "_")[:30] or "item"
    code, n = stem, 2
    while code in taken or code in (AS_EXPECTED, NEW):
        code, n = f"{stem}_{n}", n + 1
    taken.add(code)
    return code


def codes_of(rubrics: Iterable[Rubric]) -> set[str]:
    """Every code of items and choices that these rubrics ever used."""
    return {
        code
        for rubric in rubrics
        for item in rubric.items
        for code in (item.code, *(choice for choice, _text in item.choices))
    }
