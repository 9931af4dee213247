"""What the page shows of the cell, rendered once for all who look.

Rules of this file:
- The page shows what the interface says: the same views, nothing read past them.
- A picture is made anew when an entry was added or a second went by, whoever asks first; the others get the same.
"""

import asyncio

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool

from supervisor.api.agreement_view import standing_view
from supervisor.api.cell_view import cell_view
from supervisor.api.hold_view import holds_view
from supervisor.api.inside import beginning_of, link_of, now_of
from supervisor.api.pallet_view import pallets_view
from supervisor.api.place_view import places_view
from supervisor.api.ports import RecordQuestion, Sources
from supervisor.api.record_view import RecordLine, records_page
from supervisor.api.shift_desk import ShiftDesk
from supervisor.api.shift_view import BoundView, ShiftView, shift_view
from supervisor.api.station_view import station_view
from supervisor.api.waits import Now
from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import value
from supervisor.shell.ports import JournalRefused
from supervisor.web.rendering import Templates

RECORDS_SHOWN = 12
BOUND_S = 30
"""The bound of the running shift is worked out anew after so many seconds of real time."""


@value
class Picture:
    """The cell as HTML, after entry ``seq`` at a time of the cell. ``second`` is real time, to know when it is old."""

    seq: int
    at_ms: int
    second: int
    html: Markup


class Screen:
    """Renders the live part of the page."""

    def __init__(self, sources: Sources, templates: Templates, desk: ShiftDesk) -> None:
        self._sources = sources
        self._desk = desk
        self._bound: tuple[int, BoundView | None] = (-BOUND_S, None)
        self._templates = templates
        self._picture: Picture | None = None
        self._records: tuple[int, list[RecordLine]] = (-1, [])
        self._making = asyncio.Lock()

    async def picture(self) -> Picture:
        """The newest picture.

        Raises:
            Refusal: nothing is published yet.
        """
        async with self._making:
            seq = self._sources.lookout.head().seq
            second = int(asyncio.get_running_loop().time())
            known = self._picture
            if known is None or (known.seq, known.second) != (seq, second):
                self._picture = known = await self._made(second)
            return known

    async def _made(self, second: int) -> Picture:
        records = await self._newest_records()
        now = now_of(self._sources)
        shift = await self._shift(now, second)
        head = self._sources.lookout.head()
        html = self._templates.render(
            "now.html", **self._content(now), records=records, shift=shift
        )
        return Picture(seq=head.seq, at_ms=now.at_ms, second=second, html=html)

    async def _shift(self, now: Now, second: int) -> ShiftView | None:
        """The running shift with a bound that may be half a minute old."""
        figures = self._desk.running(now.at_ms)
        if figures is None:
            return None
        if second - self._bound[0] >= BOUND_S:
            bounded = await run_in_threadpool(self._desk.bounded, figures)
            self._bound = (second, shift_view(bounded, "running").bound)
        return shift_view(figures, "running").model_copy(update={"bound": self._bound[1]})

    def _content(self, now: Now) -> dict[str, object]:
        sources = self._sources
        beginning = beginning_of(sources)
        tables = now.core.tables
        by_position = sorted(tables.stations, key=lambda name: (tables.stations[name].at_mm, name))
        return {
            "cell": cell_view(
                now,
                status=sources.orders.status(),
                head=sources.lookout.head(),
                version=sources.version,
                source=link_of(sources, tables.handler.handler),
                vitals=sources.vitals(),
            ),
            "stations": [
                station_view(now, station, beginning, link_of(sources, station))
                for station in by_position
            ],
            "places": places_view(now),
            "pallets": pallets_view(now),
            "holds": holds_view(now.state),
            "disagreements": [
                standing_view(each)
                for _, each in sorted(
                    now.state.agreement.items(), key=lambda pair: reading_order(pair[0])
                )
                if each.standing == "disagrees"
            ],
        }

    async def _newest_records(self) -> list[RecordLine]:
        """The newest records, asked for again only when the journal has grown; the last known ones while the database is away."""
        seq = self._sources.lookout.head().seq
        if self._records[0] != seq:
            try:
                page = await run_in_threadpool(
                    self._sources.records.page, RecordQuestion(), limit=RECORDS_SHOWN, after=""
                )
            except JournalRefused:
                return self._records[1]
            self._records = (seq, records_page(page).records)
        return self._records[1]
