"""Messages to a receiver over real HTTP: each record once at least, in order, signed, however long the receiver is down."""

import asyncio
import base64
import hashlib
import hmac
import json
import threading
from contextlib import asynccontextmanager, contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from supervisor.api.outgoing import PAUSE_S_MAX, Messenger, Receiver, post
from supervisor.api.signature import KeyTooWeak, key_of, signature
from supervisor.cell.value import replace
from supervisor.core.events import MessagesDelivered, RecordAmended
from tests.integration.api.test_advice import PARTS, shifted

KEY = b"a key for tests that is long enough"
DAY_S = 86_400
WAIT_S = 20


class Outside:
    """A receiver on loopback. ``answers`` is what it answers now; ``taken`` what it took, in order."""

    def __init__(self):
        self.answers = 204
        self.taken = []
        self.heard = 0
        outside = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outside.heard += 1
                answer = outside.answers
                if (
                    answer < 300
                ):  # taken before it is answered: the next message may come in another thread
                    named = {name.lower(): content for name, content in self.headers.items()}
                    outside.taken.append((self.path, named, body))
                self.send_response(answer)
                if answer == 302:
                    self.send_header("Location", f"{outside.url}elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/"

    def serials(self):
        return [json.loads(body)["data"]["serial"] for _, _, body in self.taken]

    def names(self):
        return [headers["webhook-id"] for _, headers, _ in self.taken]


@pytest.fixture
def outside():
    with listening() as made:
        yield made


@contextmanager
def listening():
    """A receiver for as long as it is needed."""
    made = Outside()
    thread = threading.Thread(target=made.server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield made
    made.server.shutdown()
    thread.join()
    made.server.server_close()


def a_receiver(outside, about=("verdicts",)):
    return Receiver(receiver="mes", url=outside.url, about=about, key=KEY)


@asynccontextmanager
async def telling(cell, receiver, pauses=None):
    """A messenger at work; its pauses take no time and are noted."""

    async def pause(seconds):
        if pauses is not None:
            pauses.append(seconds)
        await asyncio.sleep(0.001)

    messenger = Messenger(receiver, cell.sources, pause=pause)
    task = asyncio.create_task(messenger.run())
    await until(lambda: "mes" in dict(cell.state().delivered))
    yield messenger
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def until(true):
    async with asyncio.timeout(WAIT_S):
        while not true():  # noqa: ASYNC110 - what is waited for is outside of this loop
            await asyncio.sleep(0.01)


async def keep(cell, past, numbers):
    """Records of more parts, each kept by an entry of its own; their serial numbers."""
    kept = cell.store.records.latest(past.serials[0]).record
    serials = [str(800_000 + number) for number in numbers]
    for serial in serials:
        record = replace(kept, serial=serial, entered_ms=kept.entered_ms + int(serial))
        await cell.tell(RecordAmended(by="a test", why="", changes=(), record=record))
    return serials


async def test_records_are_told_in_order_signed_and_counted_as_told(cell, past, outside):
    async with telling(cell, a_receiver(outside)):
        serials = await keep(cell, past, range(5))
        await until(lambda: len(outside.taken) == 5)
        assert outside.serials() == serials, "nothing of the past, everything since"
        last = json.loads(outside.taken[-1][2])
        assert (last["type"], last["cell"]) == ("record.kept", past.cell.cell)
        await until(lambda: dict(cell.state().delivered)["mes"] == last["data"]["seq"])
        for _, headers, body in outside.taken:
            signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
            mac = base64.b64encode(hmac.digest(KEY, signed, hashlib.sha256)).decode()
            assert headers["webhook-signature"] == f"v1,{mac}"
    facts = [e.event for e in cell.store.journal.read(1) if isinstance(e.event, MessagesDelivered)]
    assert [fact.seq for fact in facts] == sorted({fact.seq for fact in facts})


@pytest.mark.hazard(37)
async def test_a_receiver_that_is_down_for_days_is_told_everything_afterwards(cell, past, outside):
    outside.answers = 503
    pauses = []
    async with telling(cell, a_receiver(outside), pauses) as messenger:
        serials = await keep(cell, past, range(3))
        await until(lambda: outside.heard >= 12)
        assert messenger.told().why == "it answers 503 Service Unavailable"
        assert messenger.told().failing_since_ms is not None
        serials += await keep(cell, past, range(3, 60))
        assert outside.taken == []
        assert pauses[:10] == [1, 2, 4, 8, 16, 32, 64, 128, 256, PAUSE_S_MAX]
        assert set(pauses[9:]) == {PAUSE_S_MAX}, "and so on for as long as it takes"

        outside.answers = 200
        await until(lambda: len(outside.taken) == len(serials))
        assert outside.serials() == serials
        assert len(set(outside.names())) == len(serials)
        assert messenger.told().failing_since_ms is None


@pytest.mark.hazard(37)
async def test_a_supervisor_that_starts_again_goes_on_where_the_receiver_was(
    start_cell, past, outside, tmp_path
):
    """What was taken and not yet counted comes again under the same name; nothing is left out."""
    async with start_cell(tmp_path) as cell:
        async with telling(cell, a_receiver(outside)):
            first = await keep(cell, past, range(2))
            await until(lambda: len(outside.taken) == 2)
            counted = json.loads(outside.taken[-1][2])["data"]["seq"]
            await until(lambda: dict(cell.state().delivered)["mes"] == counted)
        missed = await keep(cell, past, range(2, 6))

        uncounted = replace(cell.sources, orders=Uncounting(cell.sources.orders))
        messenger = Messenger(a_receiver(outside), uncounted)
        task = asyncio.create_task(messenger.run())
        await until(lambda: len(outside.taken) == 3)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
    async with start_cell(tmp_path) as cell, telling(cell, a_receiver(outside)):
        await until(lambda: len(set(outside.names())) == 6)
    assert outside.serials() == [*first, missed[0], *missed]
    assert outside.names()[2] == outside.names()[3], "the repetition has the same name"


class Uncounting:
    """Orders that are never confirmed: the supervisor dies before the fact is durable."""

    def __init__(self, orders):
        self._orders = orders

    def status(self):
        return self._orders.status()

    async def submit(self, *_event, **_source):
        await asyncio.Event().wait()


async def test_advice_is_sent_while_it_is_in_force_and_once(cell, past, outside):
    async with telling(cell, a_receiver(outside, about=("advice",))):
        for number in range(PARTS):
            record = shifted(past, cell, number)
            await cell.tell(RecordAmended(by="a test", why="", changes=(), record=record))
        last = json.loads((await cell.client.get("/api/v1/advice/pump-body/rotor-bore")).content)
        assert last["state"] == "offered"
        await until(
            lambda: any(
                json.loads(b)["data"]["advice"] == last["advice"] for _, _, b in outside.taken
            )
        )
        assert {json.loads(body)["type"] for _, _, body in outside.taken} == {"advice.offered"}
        assert len(set(outside.names())) == len(outside.names())


async def test_a_message_goes_nowhere_else_than_it_was_addressed_to(outside):
    outside.answers = 302
    why = await asyncio.to_thread(post, outside.url, b"{}", {"Content-Type": "application/json"})
    assert why == "it answers 302 Found"
    assert outside.heard == 1


async def test_whoever_is_not_there_is_named_by_the_system():
    why = await asyncio.to_thread(post, "http://127.0.0.1:9/", b"{}", {})
    assert "refused" in why


async def test_the_interface_says_how_far_a_receiver_was_told(cell):
    assert (await cell.client.get("/api/v1/receivers")).json() == []


def test_the_signature_is_that_of_the_specification_s_example():
    # The example in the verification section of the Standard Webhooks libraries (from memory; a wrong digit could not agree by chance).
    key = key_of("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    found = signature(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    assert found == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.parametrize("secret", ["short", "whsec_!!", "whsec_c2hvcnQ="])
def test_a_key_that_is_too_weak_is_refused(secret):
    with pytest.raises(KeyTooWeak):
        key_of(secret)
