"""One way to write a table: it scrolls by itself on a phone, can be reached by keyboard, and every head has a scope.

{% table "Readings" %}
  {% heads "When" "n:Ia, mA" "Tester" "" %}
  <tbody>…</tbody>
{% endtable %}

Where a column comes and goes, the cells of the head are written out:

<thead>
  <tr>
    {% head_cells "When" "n:Ia, mA" %}
    {% if on_a_scale %}{% head_cells "n:Emission, divisions" %}{% endif %}
  </tr>
</thead>
"""

from __future__ import annotations

from collections.abc import Sequence

from django import template
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

register = template.Library()

UNNAMED = SafeString('<span class="unseen">What can be done</span>')  # a head is never empty to who hears the page


@register.simple_block_tag(end_name="endtable")
def table(content: SafeString, label: str, css: str = "", caption: str = "") -> SafeString:
    """A table with an accessible name; `css` are classes of the table's own, `caption` stands above it.

    >>> table(SafeString("…"), "Readings")
    '<div class="scroll" tabindex="0" role="group" aria-label="Readings"><table>…</table></div>'
    """
    return format_html(
        '<div class="scroll" tabindex="0" role="group" aria-label="{}"><table{}>{}{}</table></div>',
        label,
        format_html(' class="{}"', css) if css else "",
        format_html("<caption>{}</caption>", caption) if caption else "",
        content,
    )


@register.simple_tag
def heads(*names: str | Sequence[str]) -> SafeString:
    """The row of column heads, by name or in lists of names.

    "n:" before a name aligns it with numbers; an empty name heads a column of buttons.

    >>> heads("Serial", "n:Ia, mA")
    '<thead><tr><th scope="col">Serial</th><th scope="col" class="n">Ia, mA</th></tr></thead>'
    """
    return format_html("<thead><tr>{}</tr></thead>", head_cells(*names))


@register.simple_tag
def head_cells(*names: str | Sequence[str]) -> SafeString:
    """Some heads of a row that is written out by hand, named as in `heads`.

    >>> head_cells("")
    '<th scope="col"><span class="unseen">What can be done</span></th>'
    """
    every = [name for some in names for name in ([some] if isinstance(some, str) else some)]
    return format_html_join(
        "",
        '<th scope="col"{}>{}</th>',
        (
            (SafeString(' class="n"') if name.startswith("n:") else "", name.removeprefix("n:") or UNNAMED)
            for name in every
        ),
    )
