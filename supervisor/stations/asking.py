"""Ways of asking for a result: which of them a station has, and how the id of a result is found.

Rules of this file:
- Of the ways that a profile lists the first is gone whose methods are all there; that is settled once per connection.
- A filter is put together of the library's own types (OPC 10000-4 7.7); ids in it hold for this connection only.
"""

from typing import Any, cast

from supervisor.cell.profile_address import browse_path
from supervisor.cell.profile_language import (
    Argument,
    CsvResults,
    DocumentResults,
    Fetched,
    JsonResults,
    Matching,
    ResultCall,
    StationProfile,
    Stored,
)
from supervisor.stations.connection import Connection
from supervisor.stations.goals import Fields, run_number
from supervisor.stations.opcua import ua
from supervisor.stations.resolve import Call
from supervisor.stations.results import AnyResults
from supervisor.stations.trouble import LinkLost, ResultUnreadable

FILTER = Argument(type="Structure", members={})
"""The first argument of a method that finds results, as far as its type goes."""


def ways_of(profile: StationProfile) -> tuple[ResultCall, ...]:
    """The ways in which a result may be asked for, best first."""
    results = profile.results
    call = results.call if isinstance(results, Fetched) else None
    return () if call is None else call.ways()


def way_calls(way: ResultCall) -> tuple[Call, ...]:
    """What the methods of a way are called with."""
    asked = Call(node=way.node, arguments=tuple(way.arguments), outputs=(way.output,))
    if way.find is None:
        return (asked,)
    find = way.find
    found = Call(node=find.node, arguments=(FILTER, *find.arguments), outputs=(find.output,))
    return (asked, found)


def way_taken(profile: StationProfile, connection: Connection) -> ResultCall:
    """The first way whose methods the station has.

    Raises:
        LinkLost: it has none whole.
    """
    ways = ways_of(profile)
    for way in ways:
        if all(name in connection.found for name in way.methods()):
            return way
    listed = ", or ".join(" and ".join(way.methods()) for way in ways)
    message = f"expected the methods {listed}, found none of these ways whole; correct the profile, or check that this is the station it is for"
    raise LinkLost(message)


def stored_of(results: AnyResults) -> Stored | None:
    """How the station is told that a result is stored, where the profile says so."""
    return results.stored if isinstance(results, DocumentResults) else None


def names_its_run(profile: StationProfile) -> bool:
    """Whether a result can be asked for at any time, and says which run it belongs to."""
    results = profile.results
    if not isinstance(results, JsonResults | CsvResults | DocumentResults):
        return False
    return results.call is not None and results.run is not None


def check_belongs(run_id: str, wanted: str) -> None:
    """A result that was asked for is of the run that it was asked for; on either side a run may go by its number alone.

    Raises:
        ResultUnreadable: it names another, as the latest result does until the next is there.
    """
    names = (wanted, str(run_number(wanted)))
    if run_id and wanted and run_id not in names and str(run_number(run_id)) != wanted:
        message = f"the station gave the result of {run_id:.40}, not of {wanted:.40}"
        raise ResultUnreadable(message)


def filter_of(connection: Connection, where: Matching, fields: Fields) -> Any:
    """The ContentFilter with one element: what the path leads to equals the field."""
    operand = ua.SimpleAttributeOperand(
        TypeDefinitionId=connection.node_id(where.type_),
        BrowsePath=[connection.qualified(name) for name in browse_path(where.path)],
        AttributeId=ua.AttributeIds.Value,
    )
    literal = ua.LiteralOperand(Value=ua.Variant(fields[where.field]))
    element = ua.ContentFilterElement(
        FilterOperator=ua.FilterOperator.Equals, FilterOperands=[operand, literal]
    )
    return ua.ContentFilter(Elements=[element])


def newest_id(content: Any) -> str:
    """The last of the ids that were found, or nothing."""
    ids = cast("list[Any]", content) if isinstance(content, list) else []
    return str(ids[-1]) if ids and ids[-1] else ""
