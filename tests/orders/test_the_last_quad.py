"""Two people, one last quad, through the pages and over and over: one sale, one clear message.

A process of its own on a new database of the kind that the tests run on; `python -m tests.last_quad` does 2,000 tries.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys

from django.conf import settings

from tests.last_quad import is_right


def test_the_last_quad_is_sold_once_and_whoever_comes_second_is_told_why(new_shop: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.last_quad", "--tries", "6"],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": new_shop},
        capture_output=True,
        text=True,
    )
    found = json.loads(done.stdout[done.stdout.index("{") :] if "{" in done.stdout else "{}")
    assert found, done.stderr[-3000:]
    assert is_right(found) and done.returncode == 0, found


def test_two_sales_none_or_an_unclear_word_would_be_seen() -> None:
    right = {"tries": 2, "sales_a_try": {1: 2}, "told": {"is set aside for order": 2}, "faults": [], "broken": []}
    assert is_right(right)
    for wrong in ({"sales_a_try": {1: 1, 2: 1}}, {"sales_a_try": {0: 2}}, {"told": {"unclear": 2}}, {"broken": ["x"]}):
        assert not is_right({**right, **wrong})
