"""A server's types are asked for in rounds, not one by one: after each of its starts a link waits for all of them."""

import asyncio

from asyncua import ua

from supervisor.stations.facts import ServerFacts
from supervisor.stations.type_answers import TYPES_MAX, TypeAnswers

LIMITS = ServerFacts(boot="1", namespaces=(), limits={"read": 2, "browse": 3}).limits
DOUBLE = ua.NodeId(ua.ObjectIds.Double)
STRUCTURE = ua.NodeId(ua.ObjectIds.Structure)


def own(number):
    return ua.NodeId(number, 2)


class Server:
    """Data types as a server shows them, and how often, how long and how broadly it is asked."""

    def __init__(self, types):
        self.types = types
        self.asked = []
        self.waited = 0
        self._waiting = False

    async def read(self, wanted):
        assert len(wanted) <= LIMITS["read"]
        await self._wait()
        self.asked += [node for node, _ in wanted]
        return [self._definition(node) for node, _ in wanted]

    def _definition(self, node):
        _, fields = self.types.get(node, (None, None))
        if fields is None:
            return ua.DataValue(StatusCode=ua.StatusCode(ua.StatusCodes.BadAttributeIdInvalid))
        described = [
            ua.StructureField(Name=f"f{at}", DataType=one) for at, one in enumerate(fields)
        ]
        return ua.DataValue(ua.Variant(ua.StructureDefinition(Fields=described)))

    async def supertypes(self, nodes):
        assert len(nodes) <= LIMITS["browse"]
        await self._wait()
        return [self.types.get(node, (None, None))[0] for node in nodes]

    async def _wait(self):
        """One round trip, for all that is on its way at the same time."""
        if not self._waiting:
            self._waiting = True
            self.waited += 1
        await asyncio.sleep(0)
        self._waiting = False


# 1 holds 2 and 3, 2 holds 4 and a list of itself, 4 is a kind of 5, which goes back to Double; 3 holds nothing that is not built in.
NESTED = {
    own(1): (STRUCTURE, [own(2), own(3), DOUBLE]),
    own(2): (STRUCTURE, [own(4), own(2)]),
    own(3): (STRUCTURE, [DOUBLE]),
    own(4): (own(5), None),
    own(5): (DOUBLE, None),
}


async def test_a_round_asks_for_all_that_the_last_one_led_to_and_for_nothing_twice():
    server, answers = Server(NESTED), TypeAnswers()
    await answers.ask_ahead(server, [own(1), own(1), DOUBLE, ua.NodeId()], LIMITS)
    assert server.waited == 4  # 1, then 2 and 3, then 4, then 5
    assert sorted(node.Identifier for node in server.asked) == [1, 2, 3, 4, 5]

    definition = await answers.definition(server, own(2))
    assert [field.DataType for field in definition.Fields] == [own(4), own(2)]
    assert await answers.definition(server, own(4)) is None
    assert await answers.above(server, own(4)) == own(5)
    await answers.ask_ahead(server, [own(1), own(5)], LIMITS)
    assert server.waited == 4


async def test_what_was_not_asked_ahead_is_asked_when_it_is_needed():
    server, answers = Server(NESTED), TypeAnswers()
    assert await answers.above(server, own(5)) == DOUBLE
    assert await answers.definition(server, own(5)) is None
    assert server.waited == 2


async def test_what_a_server_cannot_say_yet_is_asked_again():
    """It was just started and has not loaded its types."""

    class Starting(Server):
        loaded = False

        async def read(self, wanted):
            found = await super().read(wanted)
            unknown = ua.DataValue(StatusCode=ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown))
            return found if self.loaded else [unknown for _ in wanted]

        async def supertypes(self, nodes):
            found = await super().supertypes(nodes)
            return found if self.loaded else [None for _ in nodes]

    server, answers = Starting(NESTED), TypeAnswers()
    await answers.ask_ahead(server, [own(2)], LIMITS)
    assert await answers.definition(server, own(2)) is None
    server.loaded = True
    assert await answers.above(server, own(2)) == STRUCTURE
    assert len((await answers.definition(server, own(2))).Fields) == 2


async def test_a_server_of_ever_more_types_is_not_asked_for_ever():
    class Endless(dict):
        def get(self, node, _otherwise):
            return STRUCTURE, [own(2 * node.Identifier), own(2 * node.Identifier + 1)]

    server, answers = Server(Endless()), TypeAnswers()
    await answers.ask_ahead(server, [own(1)], LIMITS)
    assert TYPES_MAX < len(server.asked) <= 2 * TYPES_MAX + 2
