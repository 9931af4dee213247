"""Go to a simulated machine and throw a switch: ``python -m simulators.servers.by_hand ADDRESS MACHINE SWITCH VALUE``.

Rules of this file:
- The machine is a stranger here: its address comes from the supervisor's interface, its switches from its own address space.
- Wrong input gets one sentence that names what there is.
"""

import argparse
import asyncio
import json
import logging
import sys
import urllib.request
from typing import Any

from asyncua import Client, Node, ua

from simulators.servers.serving import BENCH_URI

WORDS = {"true": True, "false": False}
TIMEOUT_S = 5.0


class NoSuchSwitch(Exception):  # noqa: N818 - it says what there is
    """Nothing of that name is there; the text says what is."""


def main() -> int:
    """0 thrown, 2 there is no such machine, switch or value."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators.servers.by_hand", description=__doc__
    )
    parser.add_argument("address", help="the page's address, such as http://127.0.0.1:8000")
    parser.add_argument("machine", help="a station or the handler, by its name in the cell")
    parser.add_argument("switch", help="one of docs/reference/simulators.md, such as Manual")
    parser.add_argument("value", help="true, false, a number or a text, as the switch wants")
    given = parser.parse_args()
    logging.getLogger("asyncua").setLevel(
        logging.ERROR
    )  # it warns of a session shorter than it asked for
    try:
        url = machine_url(given.address.rstrip("/"), given.machine)
        asyncio.run(throw(url, given.switch, given.value))
    except NoSuchSwitch as wrong:
        sys.stderr.write(f"{wrong}\n")
        return 2
    except OSError as silent:
        sys.stderr.write(f"no answer from {given.address}, or from {given.machine}: {silent}\n")
        return 2
    sys.stdout.write(f"{given.machine}: {given.switch} is {given.value}\n")
    return 0


def machine_url(address: str, machine: str) -> str:
    """Where the machine's server listens, as the supervisor knows it.

    Raises:
        NoSuchSwitch: the supervisor knows no machine of that name.
        OSError: nobody answers at the address.
    """
    machines = {
        station["station"]: station["source"]["url"]
        for station in _asked(f"{address}/api/v1/stations")
    }
    handler = _asked(f"{address}/api/v1/cell")["handler"]
    machines[handler["handler"]] = handler["source"]["url"]
    if machine not in machines:
        raise NoSuchSwitch(f"expected one of {', '.join(sorted(machines))}, found {machine}")
    return machines[machine]


def _asked(address: str) -> Any:
    with urllib.request.urlopen(address, timeout=TIMEOUT_S) as answer:  # noqa: S310 - the address that a person typed
        return json.load(answer)


async def throw(url: str, switch: str, text: str) -> None:
    """Write a switch of the machine that listens at an OPC UA address.

    Raises:
        NoSuchSwitch: the machine has no such switch, or the text is no value of its type.
    """
    async with Client(url, timeout=TIMEOUT_S) as client:
        index = await client.get_namespace_index(BENCH_URI)
        bench = await client.nodes.objects.get_child([f"{index}:Bench"])
        variables = {
            str((await node.read_browse_name()).Name): node for node in await bench.get_children()
        }
        if switch not in variables:
            raise NoSuchSwitch(f"expected one of {', '.join(sorted(variables))}, found {switch}")
        await _write(variables[switch], text)


async def _write(node: Node, text: str) -> None:
    kind = await node.read_data_type_as_variant_type()
    try:
        value = _read_as(kind, text)
    except (KeyError, ValueError):
        raise NoSuchSwitch(f"expected a {kind.name}, found {text}") from None
    await node.write_value(ua.DataValue(ua.Variant(value, kind)))


def _read_as(kind: ua.VariantType, text: str) -> object:
    match kind:
        case ua.VariantType.Boolean:
            return WORDS[text.lower()]
        case ua.VariantType.Double:
            return float(text)
        case _:
            return text


if __name__ == "__main__":
    sys.exit(main())
