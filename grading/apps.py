from django.apps import AppConfig


class GradingConfig(AppConfig):
    name = "grading"

    def ready(self) -> None:
        """Join the rooms: those below send signals and keep lists, so that they need not know those above."""
        from grading.bench import readings_job  # noqa: F401 -- importing makes its jobs known
        from grading.bench.beside import BESIDE
        from grading.buying import receivers as offer_receivers  # noqa: F401
        from grading.buying.offering import offer_of
        from grading.desk import overview, worth  # noqa: F401 -- importing makes their jobs known
        from grading.desk import receivers as desk_receivers  # noqa: F401
        from grading.issued.validity import certificate_of
        from grading.listings import receivers as listing_receivers  # noqa: F401
        from grading.listings.asking import HINTS
        from grading.listings.parts import PARTS
        from grading.orders import filling, holds, proposals  # noqa: F401 -- importing makes their jobs known
        from grading.orders.untested import UntestedValves
        from grading.orders.ways import WAYS
        from grading.prices import effects, many  # noqa: F401 -- importing makes their jobs known
        from grading.prices.explaining import hint
        from grading.returns import receivers as return_receivers  # noqa: F401
        from grading.returns.bench import came_back

        # Importing receivers connects them; what happens first stands first.
        from grading.sealed import receivers as sealed_receivers  # noqa: F401
        from grading.sealed.listing import public_part
        from grading.sealed.orders import SealedPacks
        from grading.sets import accepting, plans, runs  # noqa: F401 -- importing makes their jobs known
        from grading.sets import receivers as set_receivers  # noqa: F401
        from grading.sockets.finding import question_of
        from grading.valves import guards
        from grading.verdicts import receivers as verdict_receivers  # noqa: F401
        from grading.verdicts import regrading  # noqa: F401
        from grading.verdicts.type_views import judged_by
        from stockroom.jobs.worker import CHORES
        from stockroom.site.finders import FINDERS
        from stockroom.types.bearing import COUNTERS

        guards.watch(self)
        CHORES["holds"] = holds.release_expired
        CHORES["desk"] = overview.keep_fresh
        WAYS[:] = [SealedPacks(), UntestedValves()]
        PARTS[:] = [public_part]
        BESIDE[:] = [came_back]
        FINDERS[:] = [question_of, certificate_of, offer_of]
        HINTS[:] = [hint]
        COUNTERS[1:] = [judged_by]
