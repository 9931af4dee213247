"""Who watches a supervisor that is killed amid its answer sees nothing, as if it had not answered."""

import socket
import threading

import pytest

from simulators.bench.run import HOST, Watch

pytestmark = pytest.mark.integration

HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 1805\r\n\r\n"


@pytest.fixture
def says():
    """Makes an address that answers one question with these bytes and is gone."""
    listening = socket.create_server((HOST, 0))
    answering = []

    def make(answer):
        def once():
            connection, _ = listening.accept()
            connection.recv(65_536)
            connection.sendall(answer)
            connection.close()

        answering.append(threading.Thread(target=once))
        answering[-1].start()
        return f"http://{HOST}:{listening.getsockname()[1]}"

    yield make
    for each in answering:
        each.join()
    listening.close()


@pytest.mark.parametrize("answer", [b"", b"HTTP", HEAD, HEAD + b'{"seq": 1'])
def test_an_answer_that_breaks_off_is_none(says, answer):
    assert Watch(says(answer)).get("/api/v1/cell") is None
