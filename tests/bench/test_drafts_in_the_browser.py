"""What is typed at the bench outlives a lost network and a crash of the browser, and is sent once."""

from __future__ import annotations

from typing import Any

import pytest

from grading.models import Reading
from stockroom.site.people import Role
from tests.factories import make_policy, make_shift, make_user, make_valves


@pytest.fixture
def context(served: Any, browser: Any) -> Any:
    """A browser of Bo's, who is on a shift, with its own store."""
    from django.test import Client

    make_policy()
    bo = make_user("bo", Role.BENCH)
    make_shift(bo)
    client = Client()
    client.force_login(bo)
    context = browser.new_context(base_url=served.url)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": served.url}])
    yield context
    context.close()


READ = {"s1-anode_current": "1.2", "s1-gm": "1.6", "s2-anode_current": "1.15", "s2-gm": "1.55"}


def test_readings_typed_when_the_network_went_and_the_browser_died_come_back_and_are_sent_once(context: Any) -> None:
    valve, other = make_valves(None, 2)
    page = context.new_page()
    page.goto(f"/bench/?serial={valve.serial}")
    for name, text in READ.items():
        page.fill(f'[name="{name}"]', text)
    context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.close()  # nothing was sent; the window is gone
    context.set_offline(False)

    page = context.new_page()
    page.goto(f"/bench/?serial={other.serial}")
    assert page.input_value('[name="s1-gm"]') == ""  # it is another valve's
    assert valve.serial in page.inner_text("[data-drafts]")
    page.goto(f"/bench/?serial={valve.serial}")
    assert {name: page.input_value(f'[name="{name}"]') for name in READ} == READ
    assert "not known to be saved" in page.inner_text("form[data-draft]")
    once = page.input_value('form[data-draft] [name="once"]')
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector('[aria-label="Last verdict"]')
    assert valve.serial in page.inner_text('[aria-label="Last verdict"]')
    assert Reading.objects.count() == 2

    # The answer had been lost: it comes back once more with the same `once`, and the shop knows it.
    page.goto(f"/bench/?serial={valve.serial}")
    assert page.input_value('[name="s1-gm"]') == ""
    page.eval_on_selector('form[data-draft] [name="once"]', "(field, once) => { field.value = once; }", once)
    for name, text in READ.items():
        page.fill(f'[name="{name}"]', text)
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector('[aria-label="Last verdict"]')
    assert Reading.objects.count() == 2
    assert page.evaluate("localStorage.length") == 0
