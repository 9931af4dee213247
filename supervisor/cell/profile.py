"""The front door of the profile language: its models, and what does not fit together in a profile.

Rules of this file:
- A problem says where it is, what was found, what was expected and what to do; all problems are found in one go.
- What is checked here needs no station: names, types, words and fields. Whether the nodes exist, the link finds out on connecting.
"""

from typing import Any

from supervisor.cell.profile_checks import (
    FieldPath,
    Problems,
    ProfileProblem,
    check_nodes,
    check_per_place,
)
from supervisor.cell.profile_event_checks import check_events
from supervisor.cell.profile_facet_checks import (
    check_echo,
    check_facet,
    check_heartbeat,
    check_own_switches,
)
from supervisor.cell.profile_language import (
    NOT_SUPPORTED,
    TEXT_TYPES,
    WHOLE_TYPES,
    AnyProfile,
    Facet,
    HandlerProfile,
    Profile,
    ReaderProfile,
    StationProfile,
    profile_model,
    read_profile,
    shipped_profiles,
)
from supervisor.cell.profile_option_checks import can_lack, check_options
from supervisor.cell.profile_order_checks import check_order
from supervisor.cell.profile_result_checks import check_results

__all__ = [
    "AnyProfile",
    "HandlerProfile",
    "Profile",
    "ProfileProblem",
    "ReaderProfile",
    "StationProfile",
    "profile_model",
    "profile_problems",
    "read_profile",
    "shipped_profiles",
]

NAMES = (*TEXT_TYPES, *WHOLE_TYPES)
JAWS_MAX = 2


def profile_problems(profile: AnyProfile) -> list[ProfileProblem]:
    """Everything that does not fit together in a profile; empty for a usable one."""
    return [*check_nodes(profile), *_of_kind(profile)]


def _of_kind(profile: AnyProfile) -> Problems:
    match profile:
        case StationProfile():
            yield from _station(profile)
        case HandlerProfile():
            yield from _handler(profile)
        case ReaderProfile():
            yield from _reader(profile)


def _station(profile: StationProfile) -> Problems:
    yield from check_events(profile)
    facets = profile.facets
    for name in ("mode", "door", "nest", "work", "gate"):
        yield from check_facet(profile, ("facets", name), getattr(facets, name))
    echoes = profile.echoes
    yield from check_own_switches(
        profile, {("facets", "door"): facets.door, ("facets", "nest"): facets.nest}
    )
    yield from check_heartbeat(profile, profile.heartbeat)
    yield from check_echo(profile, ("echoes", "run"), echoes.run, NAMES)
    yield from check_echo(profile, ("echoes", "serial"), echoes.serial, TEXT_TYPES)
    yield from check_echo(profile, ("echoes", "program"), echoes.program, NAMES)
    yield from check_echo(profile, ("echoes", "counter"), echoes.counter, WHOLE_TYPES)
    for name in type(profile.orders).model_fields:
        yield from check_order(profile, name, getattr(profile.orders, name))
    yield from _permit(profile)
    yield from check_options(profile)
    yield from check_results(profile, profile.results)
    yield from _door_orders(profile)
    yield from _start_and_proof(profile)
    yield from _single_nodes(profile)


def _permit(profile: StationProfile | HandlerProfile) -> Problems:
    if profile.permit is None:
        return
    yield from check_order(profile, "renew", profile.permit.renew, section="permit")
    if profile.permit.renew == NOT_SUPPORTED:
        remedy = "declare how it is renewed, or leave `permit` out"
        yield ProfileProblem(
            ("permit", "renew"), NOT_SUPPORTED, "an order that renews the permit", remedy
        )


def _door_orders(profile: StationProfile) -> Problems:
    """A station without a door takes no door orders; one with a door takes both."""
    has_door = profile.facets.door.always != "none"
    for name in ("open_door", "close_door"):
        order = getattr(profile.orders, name)
        supported = order != NOT_SUPPORTED
        if has_door and can_lack(order):
            remedy = "declare the order, or `door: {always: none}` for a station without a door"
            yield ProfileProblem(
                ("orders", name), NOT_SUPPORTED, "an order that moves the door", remedy
            )
        if supported and not has_door:
            remedy = f"write `{name}: not supported`"
            yield ProfileProblem(
                ("orders", name), "an order", "no door order without a door", remedy
            )


def _start_and_proof(profile: StationProfile) -> Problems:
    if can_lack(profile.orders.start):
        remedy = "declare how a run is started"
        yield ProfileProblem(
            ("orders", "start"), NOT_SUPPORTED, "an order that starts a run", remedy
        )
    proofs = (
        profile.echoes.run,
        profile.echoes.counter,
        profile.results.run,
        profile.results.counter,
        profile.results.created,
    )
    if not any(proofs):
        remedy = "add `run` or `counter` to the echoes or the results, or at least `created` to the results"
        expected = "a run id, a result counter or the time of its making"
        yield ProfileProblem(("results",), "no proof of belonging", expected, remedy)


def _single_nodes(profile: StationProfile | HandlerProfile) -> Problems:
    for name in profile.nodes:
        yield from check_per_place(profile, ("nodes", name, "path"), name, "none")


def _handler(profile: HandlerProfile) -> Problems:
    facets, echoes = profile.facets, profile.echoes
    yield from check_facet(profile, ("facets", "mode"), facets.mode)
    yield from check_facet(profile, ("facets", "phase"), facets.phase)
    if not 1 <= len(facets.jaws) <= JAWS_MAX:
        remedy = "declare one entry for each jaw"
        yield ProfileProblem(
            ("facets", "jaws"), f"{len(facets.jaws)} jaws", f"1 to {JAWS_MAX} jaws", remedy
        )
    for index, jaw in enumerate(facets.jaws):
        yield from check_facet(profile, ("facets", "jaws", index), jaw)
    jaws: dict[FieldPath, Facet[Any]] = {
        ("facets", "jaws", index): jaw for index, jaw in enumerate(facets.jaws)
    }
    yield from check_own_switches(profile, jaws)
    yield from check_heartbeat(profile, profile.heartbeat)
    yield from check_echo(profile, ("echoes", "order"), echoes.order, WHOLE_TYPES)
    for name in ("inside", "at", "why"):
        yield from check_echo(profile, ("echoes", name), getattr(echoes, name), TEXT_TYPES)
    yield from check_order(profile, "move", profile.orders.move)
    if can_lack(profile.orders.move):
        remedy = "declare how a move is ordered"
        yield ProfileProblem(
            ("orders", "move"), NOT_SUPPORTED, "an order that moves the handler", remedy
        )
    yield from _permit(profile)
    yield from check_options(profile)
    yield from _single_nodes(profile)


def _reader(profile: ReaderProfile) -> Problems:
    presence = profile.facets.presence
    yield from check_facet(profile, ("facets", "presence"), presence)
    if presence.node is not None:
        yield from check_per_place(profile, ("facets", "presence", "node"), presence.node, "each")
    yield from check_order(profile, "read_tag", profile.orders.read_tag)
    optional = profile.nodes.get(profile.orders.read_tag.node)
    if optional is not None and optional.optional is not None:
        remedy = "remove `optional` there: only the method of `memory` may be missing"
        yield ProfileProblem(
            ("orders", "read_tag", "node"), "an optional node", "a node that is there", remedy
        )
