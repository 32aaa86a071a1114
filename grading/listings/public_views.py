"""Listings before the public: the list with its filters, an item's page, the site map and the feeds.

All of it can be read without a login, a script or a picture.
"""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib.auth.decorators import login_not_required
from django.contrib.sitemaps import views as sitemap_views
from django.http import HttpRequest, HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from grading.listings import feeds, shown
from grading.listings import publishing as listing_work
from grading.listings.filters import SaleFilter
from grading.listings.graded_table import graded_table
from grading.listings.parts import part_of
from grading.listings.pure.product import in_a_script, json_ld
from grading.listings.site_map import SITE_MAP
from grading.models import Grade
from grading.sets import doubts, making
from grading.sets.stating import stated_of_set
from grading.testers import conditions
from grading.verdicts.stating import stated
from stockroom.models import Attachment, Listing
from stockroom.pure import written
from stockroom.site import searches
from stockroom.site.web import addresses, page_of, public_address

DESCRIBED = 155  # letters of a description that a search engine shows (common practice, no source)


def _how_read(grades: Sequence[Grade]) -> list[str]:
    """At which settings on which tester, and whose the sheet's nominals are; each said once."""
    said = []
    readings = [reading for grade in grades for reading in grade.readings.all()]
    for reading in readings:
        day = written.day(timezone.localtime(reading.taken_at))
        at = "Emission read" if reading.on_a_scale_only else f"Read at {conditions.read_at(reading).in_words}"
        said.append(f"{at} on {reading.shift.tester}, {day}.")
    said += [f"The data sheet's nominals: {reading.test_point.cited}." for reading in readings]
    return list(dict.fromkeys(said))


@login_not_required
@require_safe
def for_sale(request: HttpRequest) -> HttpResponse:
    found = SaleFilter(request.GET, queryset=Listing.objects.for_public_display())
    page = page_of(request, found.qs.prefetch_related("listed__valve"))
    if not page.paginator.count:
        searches.found_nothing(request.GET.get("name", ""))
    grades = shown.speaking_grades(list(page), prefetched=())
    rows = [(listing, *_in_a_row(listing, grades.get(listing.pk, []))) for listing in page]
    address = public_address(request) + (f"?page={page.number}" if page.number > 1 else "")
    context = {
        "filter": found,
        "page": page,
        "rows": rows,
        "canonical": address,
        "is_filtered": found.form.has_changed(),
    }
    return render(request, "listings/for_sale.html", context)


def _in_a_row(listing: Listing, grades: Sequence[Grade]) -> tuple[str, str]:
    """What one buys, and of which grades."""
    if listing.untested:
        return "single", "untested"
    return shown.kind_in_words(shown.valves_of(listing), grades), ", ".join(sorted({grade.name for grade in grades}))


@login_not_required
@require_safe
def item(request: HttpRequest, number: str) -> HttpResponse:
    """One item for anybody to read. When it is gone the page stays and says so."""
    related = [f"listed__valve__{name}" for name in ("type", "maker", "line")]
    found = get_object_or_404(Listing.objects.prefetch_related(*related), number=number)
    valves = shown.valves_of(found)
    matched = shown.set_of(valves)
    members = list(matched.members.select_related("grade")) if matched else []
    grades = shown.speaking_grades([found], shown.ON_THE_PAGE).get(found.pk, [])
    spreads = making.spread_of(members)
    said = [*stated(grades), *(stated_of_set(matched, spreads) if matched else ())]
    part = part_of(valves)
    doubtful = matched is not None and doubts.why_doubtful(matched) != ""
    available = Listing.objects.for_public_display().filter(pk=found.pk).exists()
    available = available and not doubtful and not (part and part.why_not)
    canonical = public_address(request)
    product = shown.product(
        found,
        valves,
        grades,
        available=available,
        url=canonical,
        images=_images(request, found),
        kind=shown.kind_in_words(valves, grades),
    )
    return render(
        request,
        "listings/item.html",
        {
            "listing": found,
            "valves": valves,
            "grades": grades,
            "set": matched,
            "available": available,
            "part": part,
            "readings": graded_table(grades),
            "not_tested": doubts.not_tested(grades),
            "how_read": _how_read(grades),
            "stated": said,
            "sold_before": listing_work.sold_before(valves),
            "spreads": spreads,
            "no_interval": making.why_no_interval(members),
            "read_since": doubts.read_since(matched) if matched and not doubtful else [],
            "canonical": canonical,
            "description": written.fitted(" ".join(f"{found.title}. {found.text}".split()), DESCRIBED),
            "json_ld": in_a_script(json_ld(product)),
        },
    )


def _images(request: HttpRequest, listing: Listing) -> list[str]:
    seen = Attachment.objects.for_public_display().filter(valve__listings__listing=listing).values_list("pk", flat=True)
    address = addresses(request)
    return [address(reverse("public-photograph", args=[pk, "large"])) for pk in seen]


# What machines read


@login_not_required
@require_safe
def robots(request: HttpRequest) -> HttpResponse:
    """RFC 9309. What needs a login turns everybody away by itself."""
    lines = [
        "User-agent: *",
        "Disallow: /for-sale/*/ask/",
        "Allow: /",
        "",
        f"Sitemap: {public_address(request, reverse('site-map'))}",
    ]
    return HttpResponse("\n".join(lines) + "\n", content_type="text/plain; charset=utf-8")


@login_not_required
@require_safe
def site_map(request: HttpRequest) -> HttpResponse:
    return sitemap_views.index(request, SITE_MAP, sitemap_url_name="site-map-section")


@login_not_required
@require_safe
def site_map_section(request: HttpRequest, section: str) -> HttpResponse:
    return sitemap_views.sitemap(request, SITE_MAP, section)


@login_not_required
@require_safe
def feed_csv(request: HttpRequest) -> StreamingHttpResponse:
    """All that is listed, written while it is read, a few listings at a time."""
    lines = feeds.csv_lines(addresses(request))
    return StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8; header=present")


@login_not_required
@require_safe
def feed_json(request: HttpRequest) -> JsonResponse:
    """A page of what is listed, with the address of the next one."""
    page = page_of(request, feeds.listed())
    after = f"?page={page.next_page_number()}" if page.has_next() else ""
    here = reverse("feed-json")
    content = {
        "form": feeds.FORM,
        "made_at": timezone.now().isoformat(timespec="seconds"),
        "page": page.number,
        "pages": page.paginator.num_pages,
        "next": public_address(request, here) + after if after else None,
        "items": feeds.json_items(list(page), addresses(request)),
    }
    return JsonResponse(content, json_dumps_params={"ensure_ascii": False})


@login_not_required
@require_safe
def feeds_told(request: HttpRequest) -> HttpResponse:
    """What the columns of the feeds hold."""
    context = {"columns": feeds.COLUMNS, "canonical": public_address(request)}
    return render(request, "listings/feeds.html", context)


urlpatterns = [
    path("for-sale/", for_sale, name="for-sale"),
    path("for-sale/feeds/", feeds_told, name="feeds"),
    path("for-sale/<str:number>/", item, name="item"),
    path("for-sale.csv", feed_csv, name="feed-csv"),
    path("for-sale.json", feed_json, name="feed-json"),
    path("robots.txt", robots, name="robots"),
    path("sitemap.xml", site_map, name="site-map"),
    path("sitemap-<str:section>.xml", site_map_section, name="site-map-section"),
]
