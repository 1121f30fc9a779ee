"""Notices, cautions, the urgent call, the empty list."""

from django import template
from django.template.base import token_kwargs

register = template.Library()


@register.inclusion_tag("ui/cautions.html")
def cautions(place: str = "record") -> dict[str, str]:
    """The standing cautions. place: "record", "read" or "report"."""
    return {"place": place}


@register.inclusion_tag("ui/urgent.html")
def urgent(
    telephone: str,
    exam_code: str = "",
    place: str = "",
    supervisor: str = "",
    sentence: str = "",
) -> dict[str, str]:
    """Somebody has to be telephoned now. Loud by size, frame and words."""
    return {
        "telephone": telephone,
        "dial": "".join(c for c in telephone if c.isdigit() or c in "+*#"),
        "exam_code": exam_code,
        "place": place,
        "supervisor": supervisor,
        "sentence": sentence,
    }


@register.inclusion_tag("ui/empty.html")
def empty_state(
    title: str, text: str = "", action_label: str = "", href: str = ""
) -> dict[str, str]:
    return {"title": title, "text": text, "action_label": action_label, "href": href}


class _NoticeNode(template.Node):
    def __init__(self, kind, options, inner):
        self.kind, self.options, self.inner = kind, options, inner

    def render(self, context):
        given = {name: value.resolve(context) for name, value in self.options.items()}
        kind = self.kind.resolve(context)
        page = context.template.engine.get_template("ui/notice.html")
        with context.push(
            kind=kind,
            shape={"caution": "caution", "urgent": "telephone", "done": "met"}.get(kind, "note"),
            title=given.get("title", ""),
            live=given.get("live", False),
            inner=self.inner.render(context),
        ):
            return page.render(context)


@register.tag
def notice(parser, token):
    """{% notice "note|caution|urgent|done" title="" live=False %}...{% endnotice %}"""
    bits = token.split_contents()[1:]
    if not bits:
        raise template.TemplateSyntaxError("notice needs its kind first")
    kind = parser.compile_filter(bits[0])
    rest = bits[1:]
    options = {}
    if rest and "=" not in rest[0]:
        options["title"] = parser.compile_filter(rest.pop(0))
    options |= token_kwargs(rest, parser)
    if rest:
        raise template.TemplateSyntaxError(f"notice does not understand {rest[0]!r}")
    inner = parser.parse(("endnotice",))
    parser.delete_first_token()
    return _NoticeNode(kind, options, inner)
