"""The drawn components as template tags. Words first: every drawing stands beside a sentence.

A tag computes geometry and sentences and hands them to a small template; nothing is drawn with
inline styles, nothing needs JavaScript.
"""

from django import template

from accounts.ui.parts import chests, fields, icons, marks, notices, rulers, tools, traces

register = template.Library()
for part in (icons, rulers, chests, marks, notices, fields, tools, traces):
    register.tags.update(part.register.tags)
