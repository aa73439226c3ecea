"""[mqtt] host: a name or an address alone; the port has a key of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from esterward.settings import files
from settings_rig import REACTOR, mistakes_of, written


def with_host(host: str) -> str:
    return f'{REACTOR}[mqtt]\nhost = "{host}"\n'


# The IPv6 addresses are those of RFC 4291, section 2.2, and RFC 3849 (documentation prefix).
@pytest.mark.parametrize("host", [
    "", "localhost", "shed_2.lan", "192.168.1.2", "::1", "FF01::101", "::FFFF:129.144.52.38",
    "2001:DB8:0:0:8:800:200C:417A",
])
def test_a_name_or_an_address_is_taken_as_it_stands(host: str, tmp_path: Path) -> None:
    path = written(tmp_path, "reactor.toml", with_host(host))
    assert files.load_reactor(path).mqtt_host == host


@pytest.mark.parametrize(("host", "write"), [
    ("192.168.1.2:1883", '"192.168.1.2" and below it port = 1883'),
    ("shed.lan:08883", '"shed.lan" and below it port = 8883'),
    (":1883", '"127.0.0.1" and below it port = 1883'),
])
def test_a_port_behind_the_host_is_refused_with_its_own_key(
    host: str, write: str, tmp_path: Path,
) -> None:
    assert mistakes_of(tmp_path, with_host(host), "reactor") == [
        f'reactor.toml: [mqtt] host = "{host}": the port has a key of its own; allowed is a host '
        f"name or address, empty for no broker; write {write}."]


@pytest.mark.parametrize("host", ["shed:", "a:b", "192.168.1.2::1883", "1:2:3", ":::",
                                  "mqtt://shed"])
def test_a_colon_that_is_neither_is_refused(host: str, tmp_path: Path) -> None:
    (said,) = mistakes_of(tmp_path, with_host(host), "reactor")
    assert 'does not have the form that is wanted' in said and 'for example "127.0.0.1"' in said
