"""A study as one page: everything in one file, nothing fetched, no script.

Rules of this file: the page is made to be printed and handed over; it states what was assumed and what the bound is beside the figures.
"""

from jinja2 import Environment, PackageLoader, StrictUndefined

from simulators.bench.study import charts
from simulators.bench.study.run import Study
from simulators.bench.study.text import (
    WHAT_IS_LATE,
    anything_is_due,
    gain_text,
    headline,
    late_text,
    part_type_texts,
    types_are_told,
)
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES


def page(found: Study) -> str:
    """The page as HTML text."""
    environment = Environment(
        loader=PackageLoader("simulators.bench.study", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("study.html").render(
        study=found,
        declared=found.findings[0],
        headline=headline,
        gain_text=gain_text,
        late_text=late_text,
        part_type_texts=part_type_texts,
        due=anything_is_due(found),
        types_are_told=types_are_told(found),
        what_is_late=WHAT_IS_LATE,
        charts=charts,
        causes=CAUSES,
        handler_causes=HANDLER_CAUSES,
    )
