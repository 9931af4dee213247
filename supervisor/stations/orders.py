"""Orders on the wire: written, pulsed or called, and what the station answered.

Rules of this file:
- An answer says what is known. "accepted" means that the levels will show the rest; a time-out is "unknown", never "failed".
- Nothing is repeated here. Echoes and acknowledgements are asked for by reading, so that they are as fresh as can be.
- A request that ran into its limit leaves the session for orders in doubt; it is dropped, monitoring goes on.
"""

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Literal, cast

from supervisor.cell.profile_checks import in_range
from supervisor.cell.profile_language import (
    Argument,
    Assignment,
    CallOrder,
    Check,
    Content,
    CountOrder,
    Outputs,
    Pick,
    PulseOrder,
    Single,
    StepsOrder,
    Supported,
    TagMemory,
    TagOrder,
    ToggleOrder,
    WriteOrder,
)
from supervisor.cell.value import replace, value
from supervisor.core.events import Outcome
from supervisor.stations.connection import Connection
from supervisor.stations.decode import all_hold, looked_at
from supervisor.stations.goals import Fields
from supervisor.stations.opcua import (
    CallMethodResult,
    StatusCode,
    status_name,
    ua,
)
from supervisor.stations.plain_types import Handed, variant
from supervisor.stations.reading import Reading, legible
from supervisor.stations.trouble import OrderImpossible
from supervisor.stations.wire import Session, reading_of

ASK_AGAIN_S_MIN = 0.005
ASK_AGAIN_S_MAX = 0.05

# With these the server did nothing. After any other bad status the order may have been carried out.
REFUSALS = frozenset(
    getattr(ua.StatusCodes, name)
    for name in (
        "BadArgumentsMissing",
        "BadInvalidArgument",
        "BadInvalidState",
        "BadLocked",
        "BadMethodInvalid",
        "BadNodeIdInvalid",
        "BadNodeIdUnknown",
        "BadNotExecutable",
        "BadNotImplemented",
        "BadNotSupported",
        "BadNotWritable",
        "BadOutOfRange",
        "BadOutOfService",
        "BadResourceUnavailable",
        "BadTooManyArguments",
        "BadTypeMismatch",
        "BadUserAccessDenied",
        "BadWriteNotSupported",
    )
)


@value
class Answer:
    """What is known of an order. "accepted": the station took it and its levels will show the rest."""

    outcome: Outcome | Literal["accepted"]
    why: str = ""


@value
class Returned:
    """The outputs of a method: its status number (None where it gives none), text and payload."""

    status: int | None
    text: str
    payload: bytes


NOTHING_FOUND: Mapping[str, Handed] = {}
ACCEPTED = Answer(outcome="accepted")


async def carry_out(
    connection: Connection, order: Supported, fields: Fields, within_s: float
) -> Answer:
    """Give one order.

    Raises:
        LinkLost, OSError: the connection went before anything of the order was sent, or during it.
    """
    try:
        async with connection.ordering() as session:
            desk = Desk(connection, session, within_s)
            return await desk.give(order, fields)
    except OrderImpossible as error:
        return Answer(outcome="failed", why=str(error))
    except TimeoutError:
        return Answer(outcome="unknown", why=f"no answer within {within_s:g} s")


class Desk:
    """One order at one session. A request that is not answered in time drops the session."""

    def __init__(self, connection: Connection, session: Session, within_s: float) -> None:
        self._connection = connection
        self._session = session
        self._within_s = within_s
        self._until_s = asyncio.get_running_loop().time() + within_s

    async def give(self, order: Supported, fields: Fields) -> Answer:
        """Carry an order out, in the way that it says."""
        try:
            if isinstance(order, StepsOrder):
                return await self._steps_order(order, fields)
            return await self._give_one(order, fields)
        except TimeoutError:
            self._connection.drop_orders(self._session)
            raise

    async def _give_one(self, order: Single, fields: Fields) -> Answer:
        match order:
            case WriteOrder():
                return await self._write_order(order, fields)
            case PulseOrder():
                return await self._pulse_order(order, fields)
            case ToggleOrder() | CountOrder():
                return await self._turned_order(order, fields)
            case CallOrder():
                return await self._call_order(order, fields)

    async def _steps_order(self, order: StepsOrder, fields: Fields) -> Answer:
        """One after another; the first that is not accepted ends it. A step whose time it is not is left out."""
        sent = 0
        for number, step in enumerate(order.steps, start=1):
            due = await self._is_due(step)
            if due is None:
                why = f"step {number}: what decides about it cannot be read, so it was not sent"
                return Answer(outcome="unknown" if sent else "failed", why=why)
            if not due:
                continue
            sent += 1
            answer = await self._give_one(step, fields)
            if answer.outcome not in ("accepted", "done"):
                return Answer(outcome=answer.outcome, why=f"step {number}: {answer.why}")
        return ACCEPTED

    async def _is_due(self, step: Single) -> bool | None:
        """Whether its conditions hold now, read afresh; None where one of them cannot be read."""
        if not step.when:
            return True
        names = tuple(dict.fromkeys(one.node for one in step.when))
        positions = {name: position for position, name in enumerate(names)}
        places = replace(self._connection.places(), positions=positions)
        return all_hold(looked_at(step.when, places), await self._read(names))

    # --- write with echo ------------------------------------------------------------------------------------------------

    async def _write_order(self, order: WriteOrder, fields: Fields) -> Answer:
        content = taken(order, fields)
        refusal = await self._write_before(order.before, fields)
        refusal = refusal or await self._write([(order.node, content)])
        if refusal:
            return refusal
        if order.echo is None or await self._shows({order.echo: content}):
            return ACCEPTED
        late = f"{order.echo} did not follow within {self._within_s:g} s"
        if order.withdraw is None:
            return Answer(outcome="unknown", why=late)
        return await self._withdrawn(order, order.withdraw, content, late)

    async def _withdrawn(
        self, order: WriteOrder, withdraw: Content, content: Content, late: str
    ) -> Answer:
        """Take a request back that the station has not taken; it may do so until the very last."""
        assert order.echo is not None  # profile_problems refuses a withdrawal without an echo
        refusal = await self._write([(order.node, withdraw)])
        (echo,) = await self._read((order.echo,))
        if echo.quality == "good" and echo.value == content:
            return ACCEPTED
        kept = f"and the request stands: {refusal.why}" if refusal else "the request was withdrawn"
        return Answer(outcome="unknown", why=f"{late}, {kept}")

    async def _write_before(self, before: list[Assignment], fields: Fields) -> Answer | None:
        return await self._write([(entry.node, taken(entry, fields)) for entry in before])

    # --- turned bits and counted numbers ----------------------------------------------------------------------------------

    async def _turned_order(self, order: ToggleOrder | CountOrder, fields: Fields) -> Answer:
        """Every change of the node is an order of its own, so nothing is sent while the last one is on its way."""
        at_node, at_echo = await self._read((order.node, order.echo))
        if at_node.quality != "good" or at_echo.quality != "good" or at_node.value is None:
            why = f"{order.node} or {order.echo} cannot be read; nothing was sent"
            return Answer(outcome="failed", why=why)
        if at_node.value != at_echo.value:
            why = f"{order.node} is {at_node.value} and {order.echo} {at_echo.value}: an order is on its way; nothing was sent"
            return Answer(outcome="failed", why=why)
        content = self._next(order, at_node.value)
        refusal = await self._write_before(order.before, fields)
        refusal = refusal or await self._write([(order.node, content)])
        if refusal:
            return refusal
        if await self._shows({order.echo: content}):
            return ACCEPTED
        return Answer(
            outcome="unknown", why=f"{order.echo} did not follow within {self._within_s:g} s"
        )

    def _next(self, order: ToggleOrder | CountOrder, now: Any) -> Content:
        if isinstance(order, ToggleOrder):
            return not now
        name = self._connection.found[order.node].kind.name
        return int(now) + 1 if in_range(int(now) + 1, name) else 0

    # --- pulse ----------------------------------------------------------------------------------------------------------

    async def _pulse_order(self, order: PulseOrder, fields: Fields) -> Answer:
        if not await self._at_rest(order):
            return Answer(
                outcome="failed", why=f"{order.node} was still being answered; nothing was sent"
            )
        refusal = await self._write_before(order.before, fields)
        refusal = refusal or await self._write([(order.node, True)])
        if refusal:
            return refusal
        answer = await self._pulse_answer(order)
        await self._reset(order)
        await self._all_false(_answers(order))
        return answer

    async def _at_rest(self, order: PulseOrder) -> bool:
        """Whether request and answers are all off; a request that an earlier process left on is withdrawn first."""
        (request,) = await self._read((order.node,))
        if request.value:
            await self._reset(order)
        return await self._all_false(_answers(order))

    async def _reset(self, order: PulseOrder) -> None:
        """Turn the request off, where nothing acknowledges it for so long that it is seen off: else the next is no new one."""
        await self._write([(order.node, False)])
        if order.acknowledge is None:
            await asyncio.sleep(order.hold_ms / 1000)

    async def _pulse_answer(self, order: PulseOrder) -> Answer:
        if order.acknowledge is None:
            await asyncio.sleep(order.hold_ms / 1000)
            return ACCEPTED
        answers = _answers(order)
        seen = await self._until(answers, any_true)
        if seen is None:
            return Answer(
                outcome="unknown",
                why=f"{order.acknowledge} did not come within {self._within_s:g} s",
            )
        if any_true(seen[:1]):
            return ACCEPTED
        return Answer(outcome="refused", why=await self._text(order))

    async def _text(self, order: PulseOrder) -> str:
        if order.text is None:
            return f"the station set {order.refusal}"
        (text,) = await self._read((order.text,))
        return str(text.value or f"the station set {order.refusal}")

    # --- call -----------------------------------------------------------------------------------------------------------

    async def _call_order(self, order: CallOrder, fields: Fields) -> Answer:
        result = await self.call(order, fields)
        failed = _failed_call(result.StatusCode)
        if failed:
            return failed
        returned = returned_by(result, order.outputs)
        if order.outputs.status is None or returned.status in order.accepted:
            return self._checked(order, result, fields)
        if returned.status in order.refused or order.otherwise == "refused":
            return Answer(outcome="refused", why=returned.text or f"status {returned.status}")
        why = (
            f"status {returned.status}, which the profile does not explain {returned.text}".rstrip()
        )
        return Answer(outcome="unknown", why=why)

    def _checked(self, order: CallOrder, result: CallMethodResult, fields: Fields) -> Answer:
        """Whether the other outputs are what the profile says that they must be."""
        for check in order.checks:
            wanted, found = _compared(check, result, fields)
            if found != wanted:
                why = f"output {check.output} of {order.node} is {found!r:.60}, expected {wanted!r}"
                return Answer(outcome="unknown", why=why)
        if order.complete is not None:
            wanted, found = _compared(order.complete, result, fields)
            if found == wanted:
                return Answer(outcome="done")
        return ACCEPTED

    async def call(
        self,
        order: CallOrder | TagOrder | TagMemory,
        fields: Fields,
        found: Mapping[str, Handed] = NOTHING_FOUND,
    ) -> CallMethodResult:
        """Call a method with what an order hands over; ``found`` are the fields of a tag that was found before.

        Raises:
            TimeoutError: no answer in time; whoever gave the order drops the session.
            OrderImpossible: something does not fit; nothing was sent.
        """
        method = self._connection.found[order.node]
        arguments = [
            member.variant(handed(argument, fields, found))
            for member, argument in zip(method.inputs, order.arguments, strict=True)
        ]
        return await self._session.call(method.owner, method.node, arguments, self._left_s())

    # --- reading and writing ----------------------------------------------------------------------------------------------

    def _left_s(self) -> float:
        return max(self._until_s - asyncio.get_running_loop().time(), 0.01)

    async def _write(self, contents: list[tuple[str, Content]]) -> Answer | None:
        """Write values to nodes; what the server had against it, or None."""
        if not contents:
            return None
        pairs = [
            (self._connection.found[name].node, variant(content, self._connection.found[name].kind))
            for name, content in contents
        ]
        statuses = await self._session.write(pairs)
        for (name, _), status in zip(contents, statuses, strict=True):
            if not status.is_good():
                outcome = "refused" if status.value in REFUSALS else "unknown"
                return Answer(outcome=outcome, why=f"writing {name}: {status_name(status)}")
        return None

    async def _read(self, names: tuple[str, ...]) -> list[Reading]:
        wanted = [(self._connection.found[name].node, ua.AttributeIds.Value) for name in names]
        now_s = asyncio.get_running_loop().time()
        return [reading_of(item, now_s) for item in await self._session.read(wanted)]

    async def _shows(self, wanted: Mapping[str, Content]) -> bool:
        def holds(seen: list[Reading]) -> bool:
            return all_equal(seen, wanted)

        return await self._until(tuple(wanted), holds) is not None

    async def _all_false(self, names: tuple[str, ...]) -> bool:
        return not names or await self._until(names, none_true) is not None

    async def _until(
        self, names: tuple[str, ...], holds: Callable[[list[Reading]], bool]
    ) -> list[Reading] | None:
        """Read until the condition holds; None when the time is up."""
        pause_s = ASK_AGAIN_S_MIN
        while True:
            seen = await self._read(names)
            if holds(seen):
                return seen
            if asyncio.get_running_loop().time() >= self._until_s:
                return None
            await asyncio.sleep(pause_s)
            pause_s = min(pause_s * 1.5, ASK_AGAIN_S_MAX)


def _answers(order: PulseOrder) -> tuple[str, ...]:
    return tuple(name for name in (order.acknowledge, order.refusal) if name is not None)


def any_true(seen: list[Reading]) -> bool:
    """Whether a bit is on for certain."""
    return any(reading.quality == "good" and reading.value for reading in seen)


def none_true(seen: list[Reading]) -> bool:
    """Whether all bits are off for certain."""
    return all(reading.quality == "good" and not reading.value for reading in seen)


def all_equal(seen: list[Reading], wanted: Mapping[str, Content]) -> bool:
    """Whether every node shows what is wanted of it."""
    return all(
        reading.quality == "good" and reading.value == content
        for reading, content in zip(seen, wanted.values(), strict=True)
    )


def _compared(check: Check, result: CallMethodResult, fields: Fields) -> tuple[Content, Any]:
    """What an output must be, and what it is."""
    given: list[Any] = result.OutputArguments or []
    found = given[check.output - 1].Value if check.output <= len(given) else None
    wanted = cast("Content", check.value) if check.field is None else fields[check.field]
    return wanted, getattr(found, "Text", found)


def _failed_call(status: StatusCode) -> Answer | None:
    if status is None or status.is_good():
        return None
    outcome = "refused" if status.value in REFUSALS else "unknown"
    return Answer(outcome=outcome, why=f"the server answered {status_name(status)}")


def returned_by(result: CallMethodResult, outputs: Outputs) -> Returned:
    """The outputs of a call by their positions; one that is missing is None or empty."""
    outputs_given: list[Any] = result.OutputArguments or []
    found = [item.Value for item in outputs_given]

    def at(position: int | None) -> Any:
        return found[position - 1] if position is not None and position <= len(found) else None

    status, text, payload = at(outputs.status), at(outputs.text), at(outputs.payload)
    return Returned(
        status=int(status) if isinstance(status, int) else None,
        text=legible(str(getattr(text, "Text", text) or "")),
        payload=bytes(payload or b""),
    )


def shown_in(arguments: Iterable[Argument]) -> Iterator[tuple[str, Pick | None]]:
    """The nodes, and the parts of them, that arguments take their contents from."""
    for argument in arguments:
        if argument.node is not None:
            yield argument.node, argument.pick
        yield from shown_in((argument.members or {}).values())
        yield from shown_in(argument.items or ())


def shown_key(node: str, pick: Pick | None) -> str:
    """Under which name among the fields stands what a node shows; no field of a goal has such a name."""
    return f"{node} {pick}"


def handed(
    argument: Argument, fields: Fields, found: Mapping[str, Handed] = NOTHING_FOUND
) -> Handed:
    """An argument with all its parts.

    Raises:
        OrderImpossible: the station has no code for one.
    """
    if argument.node is not None:
        return Handed(argument.type, fields[shown_key(argument.node, argument.pick)])
    if argument.found is not None:
        if argument.found not in found:
            message = f"the tag that was found has no {argument.found}; nothing was sent"
            raise OrderImpossible(message)
        return found[argument.found]
    if argument.members is not None:
        members = {name: handed(one, fields, found) for name, one in argument.members.items()}
        return Handed(argument.type, members)
    if argument.items is not None:
        return Handed(argument.type, [handed(one, fields, found) for one in argument.items])
    return Handed(argument.type, taken(argument, fields))


def taken(source: WriteOrder | Assignment | Argument, fields: Fields) -> Content:
    """The value that is handed over.

    Raises:
        OrderImpossible: the station has no code for it.
    """
    if source.field is None:
        return cast("Content", source.value)
    content = fields[source.field]
    if source.codes is None:
        return content
    code = source.codes.get(str(content))
    if code is None:
        message = f"the profile has no code for {source.field} {content}"
        raise OrderImpossible(message)
    return code
