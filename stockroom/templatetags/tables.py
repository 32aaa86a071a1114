"""One way to write a table: it scrolls by itself on a phone, can be reached by keyboard, and every head has a scope.

{% table "Readings" %}
  {% heads "When" "n:Ia, mA" "Tester" %}
  <tbody>…</tbody>
{% endtable %}
"""

from __future__ import annotations

from collections.abc import Sequence

from django import template
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_block_tag(end_name="endtable")
def table(content: SafeString, label: str, css: str = "") -> SafeString:
    """A table with an accessible name; `css` are classes of the table's own."""
    return format_html(
        '<div class="scroll" tabindex="0" role="group" aria-label="{}"><table{}>{}</table></div>',
        label,
        format_html(' class="{}"', css) if css else "",
        content,
    )


@register.simple_tag
def heads(*names: str | Sequence[str]) -> SafeString:
    """The row of column heads, by name or in lists of names.

    "n:" before a name aligns it with numbers; an empty name heads a column of buttons.

    >>> heads("Serial", "n:Ia, mA")
    '<thead><tr><th scope="col">Serial</th><th scope="col" class="n">Ia, mA</th></tr></thead>'
    """
    every = [name for some in names for name in ([some] if isinstance(some, str) else some)]
    cells = format_html_join(
        "",
        '<th scope="col"{}>{}</th>',
        ((SafeString(' class="n"') if name.startswith("n:") else "", name.removeprefix("n:")) for name in every),
    )
    return format_html("<thead><tr>{}</tr></thead>", cells)
