"""Double entry: every entry debits as much as it credits, so all balances together are nothing.

An amount is signed: a debit is above nothing, a credit below. The books are never changed: to bring them to what the
records say, the difference is written as another entry (`to_reach`), and a mistake is put right in the same way.
The rules are those of any textbook of bookkeeping; nothing here is of one country's law.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple


class AccountSide(StrEnum):
    ASSET = "owned"
    LIABILITY = "owed"
    INCOME = "income"
    EXPENSE = "expense"


class Account(StrEnum):
    STOCK = "stock"
    UNSHARED = "unshared"
    SUPPLIER_CREDITS = "supplier credits"
    IMPORT_TAX = "import tax"
    CUSTOMERS = "customers"
    PAID = "paid"
    GOODS = "goods"
    FREIGHT = "freight"
    DUTY = "duty"
    IMPORT_TAX_CHARGED = "import tax charged"
    OTHER = "other"
    TAX = "tax"
    SALES = "sales"
    SHIPPING = "shipping"
    REFUNDS = "refunds"
    COST_OF_SALES = "cost of sales"
    LATER_COSTS = "later costs"
    WRITE_OFFS = "write-offs"


class About(NamedTuple):
    code: str  # its place in the list of accounts, for an accountant's program
    name: str
    side: AccountSide


ABOUT: dict[Account, About] = {
    Account.STOCK: About("1100", "Stock at cost", AccountSide.ASSET),
    Account.UNSHARED: About("1110", "Charges of lots without lines yet", AccountSide.ASSET),
    Account.SUPPLIER_CREDITS: About("1200", "Credits from suppliers", AccountSide.ASSET),
    Account.IMPORT_TAX: About("1210", "Import tax to claim back", AccountSide.ASSET),
    Account.CUSTOMERS: About("1300", "Charged to customers", AccountSide.ASSET),
    Account.PAID: About("1400", "Paid by customers", AccountSide.ASSET),
    Account.GOODS: About("2100", "Charges: goods", AccountSide.LIABILITY),
    Account.FREIGHT: About("2110", "Charges: freight", AccountSide.LIABILITY),
    Account.DUTY: About("2120", "Charges: duty and import tax", AccountSide.LIABILITY),
    Account.IMPORT_TAX_CHARGED: About("2125", "Charges: import tax claimed back", AccountSide.LIABILITY),
    Account.OTHER: About("2130", "Charges: other", AccountSide.LIABILITY),
    Account.TAX: About("2200", "Tax on sales", AccountSide.LIABILITY),
    Account.SALES: About("4100", "Sales", AccountSide.INCOME),
    Account.SHIPPING: About("4200", "Shipping charged", AccountSide.INCOME),
    Account.REFUNDS: About("4300", "Credited to customers", AccountSide.INCOME),
    Account.COST_OF_SALES: About("5100", "Cost of sales", AccountSide.EXPENSE),
    Account.LATER_COSTS: About("5110", "Costs that changed after the sale", AccountSide.EXPENSE),
    Account.WRITE_OFFS: About("5200", "Written off", AccountSide.EXPENSE),
}

PROFIT = tuple(account for account, about in ABOUT.items() if about.side in (AccountSide.INCOME, AccountSide.EXPENSE))


class Key(NamedTuple):
    """What an amount stands on: an account, and what it is about, by primary key."""

    account: Account
    lot: int | None = None
    line: int | None = None
    valve: int | None = None
    order: int | None = None


class Leg(NamedTuple):
    """One amount of an entry: a debit above nothing, a credit below; on stock with the pieces that came or went."""

    key: Key
    amount: Decimal
    pieces: int = 0


class Unbalanced(Exception):
    """An entry whose debits are not its credits: a fault of the program, never of who typed."""


def to_reach(targets: Mapping[Key, Decimal], balances: Mapping[Key, Decimal]) -> list[Leg]:
    """The legs that bring `balances` to `targets`; a key that one of them lacks stands at nothing.

    >>> stock, owed = Key(Account.STOCK, lot=1), Key(Account.GOODS, lot=1)
    >>> [str(leg.amount) for leg in to_reach({stock: Decimal(9), owed: Decimal(-9)}, {stock: Decimal(4)})]
    ['5', '-9']
    """
    keys = dict.fromkeys([*targets, *balances])
    differences = ((key, targets.get(key, Decimal(0)) - balances.get(key, Decimal(0))) for key in keys)
    return [Leg(key, amount) for key, amount in differences if amount]


def with_pieces(legs: Iterable[Leg], moved: Mapping[Key, int]) -> list[Leg]:
    """The legs, each with the pieces that `moved` on its key; pieces that move at no cost have a leg of their own.

    >>> stock, owed = Key(Account.STOCK, lot=1, line=2), Key(Account.GOODS, lot=1)
    >>> legs = with_pieces([Leg(stock, Decimal(9)), Leg(owed, Decimal(-9))], {stock: 3})
    >>> [(str(leg.amount), leg.pieces) for leg in legs]
    [('9', 3), ('-9', 0)]
    """
    rest = dict(moved)
    found = [leg._replace(pieces=rest.pop(leg.key, 0)) for leg in legs]
    return found + [Leg(key, Decimal(0), pieces) for key, pieces in rest.items() if pieces]


def check(legs: Iterable[Leg]) -> None:
    """
    Raises:
        Unbalanced
    """
    rest = sum((leg.amount for leg in legs), Decimal(0))
    if rest:
        raise Unbalanced(f"An entry is out of balance by {rest}.")


class TrialRow(NamedTuple):
    """An account's balance as it stands in a trial balance: in one of two columns."""

    account: Account
    debit: Decimal
    credit: Decimal

    @property
    def about(self) -> About:
        return ABOUT[self.account]


def trial_balance(balances: Mapping[Account, Decimal]) -> list[TrialRow]:
    """The accounts in their order, those that stand at nothing left out; both columns add up to the same."""
    rows = ((account, balances.get(account, Decimal(0))) for account in ABOUT)
    return [TrialRow(account, max(held, Decimal(0)), max(-held, Decimal(0))) for account, held in rows if held]
