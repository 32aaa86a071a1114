"""Somebody at the keyboard of a real browser: types, presses keys, and never touches the mouse."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

MOST_TABS = 150


@contextmanager
def at_the_keyboard(browser: Any, address: str) -> Iterator[Keyboard]:
    """Somebody in front of a new page; fails when a script of the pages failed."""
    page = browser.new_page()
    failures: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    yield Keyboard(page, address)
    page.close()
    assert not failures, f"the pages' script failed: {failures}"


class Keyboard:
    """Drives one page. Every action is a key press that a person could make."""

    def __init__(self, page: Any, address: str) -> None:
        self.page = page
        page.goto(address)
        self._wait_until_seen()

    def at(self) -> str:
        """What the cursor stands on, by its label or its words."""
        words: str = self.page.evaluate(
            """() => { const e = document.activeElement;
                if (e === document.body) return "";
                const label = e.labels && e.labels[0] ? e.labels[0].textContent : "";
                return (label || e.getAttribute("aria-label") || e.textContent || "").trim(); }"""
        )
        return " ".join(words.split())

    def type(self, text: str) -> Keyboard:
        self.page.keyboard.type(text)
        return self

    def press(self, key: str) -> Keyboard:
        self.page.keyboard.press(key)
        return self

    def enter(self) -> Keyboard:
        """Enter where it only moves the cursor on."""
        return self.press("Enter")

    def go(self, key: str = "Enter") -> Keyboard:
        """A key that opens another page; waits until it is there."""
        with self.page.expect_navigation():
            self.page.keyboard.press(key)
        self._wait_until_seen()
        return self

    def _wait_until_seen(self) -> None:
        """A person types once the page is drawn and the cursor in its place. Both may come after the page has loaded,
        and a browser drops the keys that are pressed before it has first drawn a page."""
        self.page.evaluate("() => new Promise(seen => requestAnimationFrame(() => requestAnimationFrame(seen)))")
        self.page.wait_for_function(
            """() => { const e = document.querySelector("[autofocus]");
                return !e || !e.offsetParent || document.activeElement === e; }"""
        )

    def tab_to(self, words: str) -> Keyboard:
        """Tab until the cursor stands on what begins with these words."""
        passed = []
        for _ in range(MOST_TABS):
            here = self.at()
            if here.startswith(words):
                return self
            passed.append(here)
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab never reaches “{words}”; it passed {list(dict.fromkeys(passed))} on {self.page.url}")

    def choose(self, words: str) -> Keyboard:
        """In a list: type until the wanted choice is the one."""
        self.page.keyboard.type(words)
        chosen = self.page.evaluate("() => document.activeElement.selectedOptions[0].textContent.trim()")
        assert chosen.startswith(words), f"the list stands at “{chosen}”, not “{words}”"
        return self

    def scan_or_find(self, text: str) -> Keyboard:
        """The box at the top, reached with one key from anywhere."""
        self.page.evaluate("() => document.activeElement.blur()")
        self.press("/").type(text)
        return self.go()

    @property
    def words(self) -> str:
        """Everything that can be read on the page."""
        text: str = self.page.inner_text("main")
        return text

    def link(self) -> str:
        """The address behind the link under the cursor."""
        address: str = self.page.evaluate("() => document.activeElement.href")
        return address
