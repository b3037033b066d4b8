"""A fleet, step by step, on a real kernel: `scripts/demo --fleet` runs it.

A store of three etcd members, three gateways, two strangers. One of them knocks at one gateway and is in at
all; the used sequence is refused at the others; a gateway and a member are killed, and the rest goes on. Each
step compares what it observed with what was expected. Everything is in namespaces, removed at the end.
"""

from __future__ import annotations

# isort: on
import contextlib
import sys
import time

# isort: off  (the first sees to interrupts, and to where the laboratory is)
from demonstrate import (
    CLIENT,
    Show,
    stoppable,
    wait_until,
    wanting,
)

from lab.fleets import Fleet, Gateway, fleet
from lab.probe import service, tcp_state
from lab.space import LabError, Namespace
from portress.clock import STEP
from portress.config.model import Rotating
from portress.knock import SECOND, TCP, UDP
from portress.sequence.rotating import derive

CONFIG = """\
closed: alike
doors:
  vpn:
    services: [tcp/22]
    stay: 10m
    rotating: {pool: 20000-29999, protocols: [tcp, udp], length: 4, gap: 5s}
"""
RULE = Rotating((20000, 29999), (TCP, UDP), 4, 5 * SECOND, 1)
SECRET = bytes(range(20))
KEYHOLDER = "- {name: ana, doors: [vpn], secret: AAAQEAYEAUDAOCAJBIFQYDIOB4IBCEQT, style: derived}\n"


def sequence() -> list[str]:
    """Ana's sequence of this moment, as her keycard has it."""
    return [str(one) for one in derive(SECRET, "vpn", RULE, int(time.time() // STEP), "edge").knocks]


def knock(ns: Namespace, gateway: Gateway, knocks: list[str]) -> None:
    ns.run([sys.executable, "-I", str(CLIENT), "--to", gateway.address, *knocks])
    time.sleep(0.2)


def port_22(ns: Namespace, gateway: Gateway) -> str:
    return tcp_state(ns, gateway.address, 22)


def opened(ns: Namespace, gateway: Gateway, seconds: float = 2) -> str:
    """The state of port 22, once it is open or the time is over."""
    wait_until(lambda: port_22(ns, gateway) == "open", seconds)
    return port_22(ns, gateway)


def inside(gateway: Gateway) -> str:
    return ", ".join(sorted(one["source"] for one in gateway.daemon.status()["admissions"])) or "nobody"


def all_shut(show: Show, f: Fleet) -> None:
    show.step("Port 22 is shut at all three gateways")
    for one in f.gateways:
        show.expect(f"port 22 of {one.name}", port_22(f.client, one), "closed")


def in_everywhere(show: Show, f: Fleet) -> list[str]:
    first = f.gateways[0]
    show.step(f"Ana knocks her sequence at {first.name}, and is in at all three")
    knocks = sequence()
    knock(f.client, first, knocks)
    for one in f.gateways:
        show.expect(f"port 22 of {one.name}, for Ana", opened(f.client, one), "open")
        show.expect(f"port 22 of {one.name}, for another", port_22(f.other, one), "closed")
    show.quote(f.gateways[1].daemon.verb("status", "--fleet").stdout)
    return knocks


def used_up(show: Show, f: Fleet, knocks: list[str]) -> None:
    show.step("Somebody who listened sends the same knocks to the other gateways")
    for one in f.gateways[1:]:
        knock(f.other, one, knocks)
        show.expect(f"port 22 of {one.name}, for the listener", port_22(f.other, one), "closed")
        show.expect(f"inside at {one.name}", inside(one), f.client4)


def a_gateway_less(show: Show, f: Fleet) -> None:
    first, *others = f.gateways
    show.step(f"{first.name} is killed: Ana is still in at the others, and they know that it is gone")
    first.daemon.kill()
    for one in others:
        show.expect(f"port 22 of {one.name}", port_22(f.client, one), "open")
    gone = wait_until(lambda: first.name not in others[0].daemon.status()["fleet"]["gateways"], 20)
    show.expect(f"{first.name}, after its last sign of life", "gone" if gone else "alive", "gone")


def a_member_less(show: Show, f: Fleet) -> None:
    second, third = f.gateways[1:]
    show.step("A member of the store is killed as well: a dismissal at one gateway still holds at the other")
    f.store.kill(0)
    second.daemon.verb("dismiss", f.client4)
    wait_until(lambda: inside(third) == "nobody", 15)
    for one in (second, third):
        show.expect(f"inside at {one.name}", inside(one), "nobody")
        show.expect(f"port 22 of {one.name}", port_22(f.client, one), "closed")


def back_again(show: Show, f: Fleet) -> None:
    first, second = f.gateways[:2]
    show.step(f"{first.name} starts again, and knows before it is ready that Ana was dismissed meanwhile")
    first.daemon.start()
    show.expect(f"inside at {first.name}", inside(first), "nobody")
    show.quote(second.daemon.verb("status", "--fleet").stdout)


def main() -> int:
    if (lack := wanting()) is not None:
        print(f"The demo cannot run here: {lack}", file=sys.stderr)
        return 1
    show = Show()
    begun = time.monotonic()
    print("Portress: a fleet. Three gateways share admissions, used sequences and keyholders over etcd.")
    print("A store of three members, three gateways, two strangers: network namespaces on one switch.")
    try:
        with (
            stoppable(),
            fleet(CONFIG, gateways=3, members=3, keyholders=KEYHOLDER) as f,
            contextlib.ExitStack() as stack,
        ):
            for one in f.gateways:
                stack.enter_context(service(one.ns, "tcp/22"))
            show.quote(CONFIG)
            all_shut(show, f)
            time.sleep(max(0.0, STEP - time.time() % STEP) if time.time() % STEP > STEP - 12 else 0.0)
            knocks = in_everywhere(show, f)
            used_up(show, f, knocks)
            a_gateway_less(show, f)
            a_member_less(show, f)
            back_again(show, f)
            for one in f.gateways:
                print(f"\nThe log of {one.name}:")
                show.quote(one.daemon.log)
    except KeyboardInterrupt:
        print("\nStopped; everything is cleaned up.")
        return 130
    except LabError as error:
        print(f"\nThe demo cannot continue: {error}")
        return 1
    print()
    if show.wrong:
        print("NOT as expected:\n" + "\n".join(show.wrong))
        return 1
    print(f"All {show.number} steps as expected, in {time.monotonic() - begun:.0f} s. All is cleaned up.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
