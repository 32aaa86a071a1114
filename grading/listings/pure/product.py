"""An item as search engines read it: a `Product` with its `Offer` in the vocabulary of schema.org, as JSON-LD.

The terms are those of https://schema.org/Product, /Offer, /PropertyValue and /Organization; JSON-LD is the W3C
Recommendation “JSON-LD 1.1” of 16 July 2020. A reading is a `PropertyValue` of the product: its number as it is
printed, a text that keeps its digits, its unit as `unitText`, and its uncertainty in words, for which the vocabulary
has no term.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, NamedTuple

TERMS = "https://schema.org"
# What would end the script element, or begin another one, in any place of a text (HTML Living Standard, 4.12.1.3).
_IN_A_SCRIPT = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}


class Property(NamedTuple):
    """`value` is a number as it is printed, or words; `note` says more of it, such as its uncertainty."""

    name: str
    value: str
    unit: str = ""
    note: str = ""


class Seller(NamedTuple):
    name: str
    address: str = ""
    email: str = ""
    phone: str = ""
    url: str = ""


class Product(NamedTuple):
    sku: str
    name: str
    description: str
    url: str
    category: str
    price: Decimal  # with all the minor digits of its currency
    currency: str
    available: bool
    used: bool
    seller: Seller
    marked: str = ""  # whose mark stands on the glass, where it is one and the same
    images: tuple[str, ...] = ()
    properties: tuple[Property, ...] = ()


def json_ld(product: Product) -> dict[str, Any]:
    said = {
        "@context": TERMS,
        "@type": "Product",
        "@id": f"{product.url}#product",
        "sku": product.sku,
        "name": product.name,
        "description": product.description,
        "url": product.url,
        "category": product.category,
        "brand": {"@type": "Brand", "name": product.marked} if product.marked else "",
        "image": list(product.images),
        "additionalProperty": [_property(one) for one in product.properties],
        "offers": {
            "@type": "Offer",
            "url": product.url,
            "price": f"{product.price:f}",
            "priceCurrency": product.currency,
            "availability": f"{TERMS}/{'InStock' if product.available else 'OutOfStock'}",
            "itemCondition": f"{TERMS}/{'UsedCondition' if product.used else 'NewCondition'}",
            "seller": _seller(product.seller),
        },
    }
    return _without_nothing(said)


def _seller(seller: Seller) -> dict[str, Any]:
    said = {
        "@type": "Organization",
        "name": seller.name,
        "url": seller.url,
        "email": seller.email,
        "telephone": seller.phone,
        "address": " ".join(seller.address.split()),
    }
    return _without_nothing(said)


def _property(one: Property) -> dict[str, Any]:
    said = {
        "@type": "PropertyValue",
        "name": one.name,
        "value": one.value,
        "unitText": one.unit,
        "description": one.note,
    }
    return _without_nothing(said)


def _without_nothing(said: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in said.items() if value not in ("", [])}


def in_a_script(data: Mapping[str, Any]) -> str:
    """The JSON, with nothing in it that HTML would read.

    >>> in_a_script({"name": "</script><b>&"})
    '{"name": "\\\\u003c/script\\\\u003e\\\\u003cb\\\\u003e\\\\u0026"}'
    """
    return json.dumps(data, ensure_ascii=False).translate(_IN_A_SCRIPT)
