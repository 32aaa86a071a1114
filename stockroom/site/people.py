"""Who may do what.

Roles are Django groups. Whoever has one sees everything; each lets them change its part, and the owner may change it
all. A login without a role opens nothing (`stockroom.site.doors`). `for_roles` guards a view; `may` asks the same
question in code and templates.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from functools import wraps
from typing import Concatenate, ParamSpec, cast

from django.contrib.auth.models import User
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from stockroom.models import Shop

P = ParamSpec("P")


class Role(StrEnum):
    RECEIVING = "receiving"
    BENCH = "bench"
    SALES = "sales"
    OWNER = "owner"


class StaffRequest(HttpRequest):
    """A request from somebody who has logged in."""

    user: User


def roles_of(user: User) -> set[str]:
    """The names of the user's roles; read once a request."""
    if not user.is_authenticated:
        return set()
    if not hasattr(user, "_roles"):
        held = set(user.groups.values_list("name", flat=True))
        if user.is_superuser:
            held.add(Role.OWNER)
        user._roles = held  # type: ignore[attr-defined]
    return cast(set[str], user._roles)  # type: ignore[attr-defined]


def may(user: User, *roles: Role) -> bool:
    held = roles_of(user)
    return Role.OWNER in held or any(role in held for role in roles)


View = Callable[Concatenate[StaffRequest, P], HttpResponseBase]


def for_roles(*roles: Role) -> Callable[[View[P]], View[P]]:
    """Let only these roles, and the owner, into a view."""

    def guard(view: View[P]) -> View[P]:
        @wraps(view)
        def guarded(request: StaffRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
            if not may(request.user, *roles):
                raise PermissionDenied(f"This is for {' or '.join((*roles, Role.OWNER))}.")
            return view(request, *args, **kwargs)

        return guarded

    return guard


def shop_and_roles(request: HttpRequest) -> dict[str, object]:
    """What every template may use: the shop and the person's roles."""
    user = getattr(request, "user", None)  # a request may be refused before it is known whose it is
    return {
        "shop": Shop.own(),
        "roles": {role.value: user is not None and may(user, role) for role in Role},
    }
