"""The wire itself: PyVISA on a loopback supply and on a second, independent simulator."""

from __future__ import annotations

import os
import socket
import threading
import time

import pytest

from hotspot.devices.dialect import Dialect
from hotspot.devices.link import VisaLink
from hotspot.devices.scpi import ScpiSupply
from hotspot.devices.supply import Bounds, energised
from hotspot.errors import SupplyError
from hotspot.practice.supply_server import LoadedSupply, SupplyServer

BOUNDS = Bounds(max_v=1.0, max_a=2.0, trip_v=1.2, trip_a=2.5)

SECOND_SIMULATOR = """
spec: "1.1"
devices:
  psu:
    eom:
      TCPIP SOCKET: {q: "\\n", r: "\\n"}
      ASRL INSTR: {q: "\\n", r: "\\n"}
    error:
      error_queue: [{q: "SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined"'}]
    dialogues:
      - {q: "*IDN?", r: "SECOND,SIMULATOR,1,0"}
      - {q: "MEAS:VOLT?", r: "0.1"}
      - {q: "MEAS:CURR?", r: "0.25"}
    properties:
      volts: {default: 0.0, getter: {q: "VOLT?", r: "{:.3f}"}, setter: {q: "VOLT {:.3f}"},
              specs: {min: 0, max: 30, type: float}}
      amps: {default: 0.1, getter: {q: "CURR?", r: "{:.3f}"}, setter: {q: "CURR {:.3f}"},
             specs: {min: 0, max: 3, type: float}}
      output: {default: 0, getter: {q: "OUTP?", r: "{:d}"}, setter: {q: "OUTP {:d}"},
               specs: {valid: [0, 1], type: int}}
resources:
  TCPIP::127.0.0.1::5025::SOCKET: {device: psu}
  ASRL1::INSTR: {device: psu}
"""
NUMERIC = Dialect(output_on="OUTP 1", output_off="OUTP 0")


@pytest.mark.parametrize("address", ["TCPIP::127.0.0.1::5025::SOCKET", "ASRL1::INSTR"])
def test_other_simulator_understands_us(tmp_path, address: str) -> None:
    path = tmp_path / "psu.yaml"
    path.write_text(SECOND_SIMULATOR)
    link = VisaLink(address, backend=f"{path}@sim")
    supply = ScpiSupply(link, dialect=NUMERIC, bounds=BOUNDS)
    assert supply.open() == "SECOND,SIMULATOR,1,0"
    with energised(supply, volts=0.1, amps=0.25):
        assert supply.read().amps == 0.25
        assert supply.read().on is True
    assert supply.read().on is False
    supply.close()


def test_loopback_supply_holds_current_then_voltage() -> None:
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05)
    with SupplyServer(loaded) as server:
        supply = ScpiSupply(VisaLink(server.address), dialect=Dialect(), bounds=BOUNDS)
        supply.open()
        with energised(supply, volts=0.5, amps=1.0):
            read = supply.read()
            assert read.amps == pytest.approx(1.0, abs=0.005)
            assert read.volts == pytest.approx(0.1, abs=0.005)
            supply.set_point(0.05, 1.0)
            assert supply.read().amps == pytest.approx(0.5, abs=0.005)
        supply.close()
        assert loaded.on is False


def test_a_late_answer_is_not_taken_for_the_next_one() -> None:
    loaded = LoadedSupply()
    with SupplyServer(loaded) as server:
        link = VisaLink(server.address, timeout_s=0.2)
        assert link.query("CURR?") == "0.100"
        loaded.delay_s = 0.4
        with pytest.raises(SupplyError, match="no answer"):
            link.query("VOLT?")
        loaded.delay_s = 0.0
        time.sleep(0.3)
        assert link.query("CURR?") == "0.100"
        link.close()


def test_a_refused_port_is_said_in_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    address = f"TCPIP::127.0.0.1::{port}::SOCKET"
    with pytest.raises(SupplyError) as caught:
        ScpiSupply(VisaLink(address), dialect=Dialect(), bounds=BOUNDS).open()
    assert address in caught.value.sentence
    assert "by hand" in caught.value.sentence


@pytest.mark.parametrize("address", ["", "nonsense", "TCPIP::127.0.0.1", "ASRL/dev/none::INSTR"])
def test_a_bad_address_is_one_line(address: str) -> None:
    with pytest.raises(SupplyError):
        VisaLink(address).query("*IDN?")


def test_serial_line_through_a_pseudo_terminal() -> None:
    pty, tty = pytest.importorskip("pty"), pytest.importorskip("tty")  # POSIX only
    loaded = LoadedSupply(short_ohm=0.05, lead_ohm=0.05)
    master, slave = pty.openpty()
    tty.setraw(slave)

    def serve() -> None:
        line = b""
        while byte := _read(master):
            line += byte
            if byte == b"\n":
                answer = loaded.answer(line.decode())
                line = b""
                if answer is not None:
                    os.write(master, answer.encode() + b"\n")

    threading.Thread(target=serve, daemon=True).start()
    supply = ScpiSupply(
        VisaLink(f"ASRL{os.ttyname(slave)}::INSTR", baud_rate=115200),
        dialect=Dialect(),
        bounds=BOUNDS,
    )
    assert supply.open().startswith("PRACTICE")
    with energised(supply, volts=0.5, amps=1.0):
        assert supply.read().amps == pytest.approx(1.0, abs=0.005)
    supply.close()
    assert loaded.on is False
    os.close(slave)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 1)
    except OSError:
        return b""
