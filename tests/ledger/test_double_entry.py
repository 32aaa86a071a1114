"""The rules of double entry, on any amounts."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stockroom.ledger.pure.double_entry import ABOUT, Account, Key, Leg, Unbalanced, check, to_reach, trial_balance

AMOUNTS = st.integers(-(10**9), 10**9).map(lambda units: Decimal(units).scaleb(-2))
KEYS = st.builds(Key, st.sampled_from(Account), st.integers(1, 3), st.none() | st.integers(1, 3))


@st.composite
def balanced(draw: st.DrawFn) -> dict[Key, Decimal]:
    """Some balances that are nothing together."""
    found = draw(st.dictionaries(KEYS, AMOUNTS, min_size=1, max_size=8))
    last = next(iter(found))
    found[last] -= sum(found.values(), Decimal(0))
    return found


@settings(max_examples=40)
@given(balanced(), balanced())
def test_what_brings_balanced_books_to_balanced_books_balances(before: dict[Key, Decimal], after: dict) -> None:
    legs = to_reach(after, before)
    check(legs)
    reached = dict(before)
    for key, amount, _ in legs:
        reached[key] = reached.get(key, Decimal(0)) + amount
    assert {key: held for key, held in reached.items() if held} == {key: held for key, held in after.items() if held}
    assert to_reach(after, reached) == []


def test_an_entry_that_is_out_of_balance_is_refused() -> None:
    with pytest.raises(Unbalanced, match=r"0\.01"):
        check([Leg(Key(Account.STOCK), Decimal("5.00")), Leg(Key(Account.GOODS), Decimal("-4.99"))])


@settings(max_examples=40)
@given(balanced())
def test_both_columns_of_a_trial_balance_are_the_same(books: dict[Key, Decimal]) -> None:
    accounts: dict[Account, Decimal] = {}
    for key, held in books.items():
        accounts[key.account] = accounts.get(key.account, Decimal(0)) + held
    columns = trial_balance(accounts)
    assert sum(column.debit for column in columns) == sum(column.credit for column in columns)


def test_every_account_is_described_under_a_code_of_its_own() -> None:
    assert set(ABOUT) == set(Account)
    assert len({about.code for about in ABOUT.values()}) == len(ABOUT)
