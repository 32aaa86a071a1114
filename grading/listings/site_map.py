"""The site map (sitemaps.org, protocol 0.9): the pages that the public reads, a thousand listings a file."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib.sitemaps import Sitemap
from django.db.models import Max, QuerySet
from django.urls import reverse

from stockroom.models import Listing

A_FILE = 1000


class ListingMap(Sitemap):
    limit = A_FILE

    def items(self) -> QuerySet[Listing]:
        """In an order that new listings do not shift: each file stays as it is but for what has gone."""
        return Listing.objects.for_public_display().order_by("pk").only("number", "listed_at")

    def lastmod(self, item: Listing) -> datetime:
        return item.listed_at

    def get_latest_lastmod(self) -> datetime | None:
        """One question, where the framework would read every listing."""
        latest: datetime | None = Listing.objects.for_public_display().aggregate(last=Max("listed_at"))["last"]
        return latest


class PageMap(Sitemap):
    def items(self) -> list[str]:
        return ["for-sale", "certificate-keys", "feeds"]

    def location(self, item: Any) -> str:
        return reverse(item)


SITE_MAP: dict[str, type[Sitemap[Any]] | Sitemap[Any]] = {"listings": ListingMap, "pages": PageMap}
