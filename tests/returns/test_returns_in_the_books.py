"""Whatever becomes of what comes back, the books balance and say what the records say, to the penny."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.orders import fulfilment
from grading.returns import deciding, opening
from grading.returns.deciding import Decision, Goods, Kind
from grading.valves import rules
from stockroom.ledger import checking, profit
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Charge, Counter, Grade, Line, Order, Payment, Return, TaxRule, Valve
from stockroom.money import invoicing
from stockroom.places.write_offs import write_off
from stockroom.receiving.booking import change_lot
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded_all, make_policy, make_user
from tests.ledger.test_the_books import books, bought, charge
from tests.orders.test_filling_an_order import fill, order_for, send

pytestmark = pytest.mark.django_db

DEEDS = ("refund", "part kept", "part back", "replace", "refuse", "write off", "bill")
TAXES: tuple[dict[str, object], ...] = ({}, {"percent": 20}, {"percent": 7, "inclusive": False}, {"percent": 20, "margin": True})
