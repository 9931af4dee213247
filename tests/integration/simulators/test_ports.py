"""Ports that are given out while other processes ask as well, real sockets throughout."""

import socket
import subprocess
import sys
from collections import deque
from contextlib import ExitStack

import pytest

from simulators.bench import ports

FEW = 12
EPHEMERAL_FROM = 32_768
ANOTHER = """
import sys
from simulators.bench import ports
ports.PORTS = range(int(sys.argv[1]), int(sys.argv[2]))
print(*ports.free_ports(4), flush=True)
sys.stdin.read()
"""
"""A process that keeps four of them until its input ends."""


@pytest.fixture
def few(monkeypatch):
    """A dozen ports that nobody uses, above those that are given out: no other test is given one meanwhile."""
    begin = next(
        at
        for at in range(ports.PORTS.stop, EPHEMERAL_FROM - FEW, FEW)
        if all(map(is_free, range(at, at + FEW)))
    )
    monkeypatch.setattr(ports, "PORTS", range(begin, begin + FEW))
    monkeypatch.setattr(ports, "_kept", deque())
    yield ports.PORTS
    for token in ports._kept:
        token.close()


def is_free(port):
    with ExitStack() as stack:
        try:
            for kind in (socket.SOCK_STREAM, socket.SOCK_DGRAM):
                stack.enter_context(socket.socket(type=kind)).bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def test_no_port_is_given_twice(few):
    first, second = ports.free_ports(5), ports.free_ports(5)
    assert len({*first, *second}) == 10
    assert {*first, *second} <= set(few)


def test_what_another_process_was_given_is_its_own_until_it_ends(few):
    arguments = [sys.executable, "-c", ANOTHER, str(few[0]), str(few[-1] + 1)]
    with subprocess.Popen(
        arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        its = {int(port) for port in other.stdout.readline().split()}
        assert len(its) == 4
        assert set(ports.free_ports(FEW - 4)) == set(few) - its
        with pytest.raises(OSError, match="no 1 free ports"):
            ports.free_ports(1)
        other.stdin.close()
    assert set(ports.free_ports(4)) == its


def test_where_somebody_listens_is_not_free(few):
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", few[3]))
        listening.listen()
        assert set(ports.free_ports(FEW - 1)) == set(few) - {few[3]}


def test_the_oldest_are_given_back_and_files_do_not_run_out(few, monkeypatch):
    monkeypatch.setattr(ports, "KEPT_MAX", 4)
    for _ in range(3 * len(few)):
        ports.free_ports(3)
    assert len(ports._kept) == 4
