"""Templates that a person can edit: short lines, heads with a scope, tables through the one tag, one way to write."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.conf import settings
from django.template import engines

LONGEST = 120
TEMPLATES = sorted(
    path for app in ("catalog", "stockroom", "grading") for path in Path(settings.BASE_DIR, app).rglob("*.html")
)
BY_HAND = {"listings/item.html", "valves/valve.html"}  # their tables of readings are written out


def named(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


every_template = pytest.mark.parametrize("template", TEMPLATES, ids=named)
tables_by_tag = pytest.mark.parametrize(
    "template", [path for path in TEMPLATES if named(path) not in BY_HAND], ids=named
)


@every_template
def test_no_line_is_longer_than_a_screen(template: Path) -> None:
    long = [number for number, line in enumerate(template.read_text().splitlines(), 1) if len(line) > LONGEST]
    assert not long, f"{template}: lines {long}"


@tables_by_tag
def test_every_head_says_what_it_heads(template: Path) -> None:
    heads = re.findall(r"<th\b[^>]*>", template.read_text())
    assert [head for head in heads if "scope=" not in head] == []


@tables_by_tag
def test_every_table_has_a_name_and_scrolls_by_itself(template: Path) -> None:
    assert "<table" not in template.read_text(), "write {% table “its name” %}"


@every_template
def test_no_template_has_its_own_way_to_write_a_day_or_a_plural(template: Path) -> None:
    text = template.read_text()
    assert "|date:" not in text and "|pluralize" not in text


def test_a_table_says_its_name_and_heads_their_scope() -> None:
    source = '{% table "Stock" caption="As counted" %}{% heads "Type" "n:Pieces" "" %}{% endtable %}'
    shown = engines["django"].from_string(source).render({})
    assert 'aria-label="Stock"' in shown and "<caption>As counted</caption>" in shown
    assert '<th scope="col">Type</th><th scope="col" class="n">Pieces</th>' in shown
    assert "<th></th>" not in shown and "What can be done" in shown


def test_what_a_person_typed_stays_text_in_a_head() -> None:
    shown = engines["django"].from_string("{% heads name %}").render({"name": "<b>Ia</b>"})
    assert "&lt;b&gt;Ia&lt;/b&gt;" in shown
