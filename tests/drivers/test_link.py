"""The link: never a wrong answer, only right ones or an InstrumentError.

Faults are those of a real wire as reports of stale and shifted replies tell of them
(common practice, no source); the register commands are those of IEEE 488.2-1992.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.errors import (
    BadReply,
    BoxError,
    InstrumentError,
    LostInstrument,
    NoReply,
    WrongIdentity,
)
from drivers.link import Link
from drivers.style import SCPI, TERSE
from tests.drivers.conftest import LinkMaker
from tests.drivers.faulty import FAULTS, IDENTITY, FaultyBox, FaultyLibrary, VirtualClock

SOCKET = "TCPIP0::faulty.boathouse.example::5025::SOCKET"
SERIAL = "ASRL3::INSTR"
STYLES = {
    "one-line": SCPI,
    "lines": replace(SCPI, framing="lines"),
    "single": replace(SCPI, framing="single"),
    "terse": TERSE,
}
PLANS = st.lists(
    st.tuples(st.sampled_from(("none", *FAULTS)), st.floats(0.0, 8.0)), min_size=1, max_size=12
)
MANY = settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def test_batch_gives_one_reply_a_question_in_one_message(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.heard.clear()
    assert link.batch(["SET 4", "VAL? 1", "SET?", "VAL? 3"]) == ["1", "4", "3"]
    assert len(box.heard) == 1


@pytest.mark.parametrize("style", STYLES)
def test_every_style_answers_every_question(style: str, link_in_process: LinkMaker) -> None:
    box = FaultyBox(terse=style == "terse")
    link = link_in_process(box, style=STYLES[style])
    assert link.identity() == IDENTITY
    for number in range(20):
        pair = [f"VAL? {number}", f"VAL? {number + 1}"]
        assert link.batch(pair) == [str(number), str(number + 1)]


def test_terse_style_keeps_its_gap(link_in_process: LinkMaker) -> None:
    clock = VirtualClock()
    link = link_in_process(FaultyBox(terse=True), clock=clock)
    start_s = clock.now
    link.batch(["SET 1", "SET 2", "SET?"])
    assert clock.now - start_s >= 3 * TERSE.gap_s


PAUSES = st.lists(st.floats(0.0, 3.0), min_size=10, max_size=10)


def converse(link: Link, pauses: list[float], clock: VirtualClock) -> None:
    """Ask and set, and accept right answers and InstrumentErrors only."""
    for number, pause_s in enumerate(pauses):
        try:
            if number % 3 == 2:
                assert link.tell(f"SET {number}", "SET?") == [str(number)]
            else:
                asked = [f"VAL? {number}.25", f"VAL? {number}.5"]
                assert link.batch(asked) == [f"{number}.25", f"{number}.5"]
        except InstrumentError as error:
            assert error.resource == link.resource
        clock.sleep(pause_s)
    assert link.ask("VAL? 99") == "99"  # in step again


@pytest.mark.parametrize("resource", [SOCKET, SERIAL])
@given(plan=PLANS, pauses=PAUSES)
@MANY
def test_no_faults_make_a_wrong_answer(
    resource: str,
    plan: list[tuple[str, float]],
    pauses: list[float],
    link_in_process: LinkMaker,
) -> None:
    box, clock = FaultyBox(), VirtualClock()
    link = link_in_process(box, resource=resource, clock=clock)
    box.plan.extend(plan)
    converse(link, pauses, clock)


@pytest.mark.parametrize("resource", [SOCKET, SERIAL])
@pytest.mark.parametrize("style", ["lines", "single", "terse"])
@given(
    right_ones=st.integers(0, 20),
    fault=st.sampled_from([fault for fault in FAULTS if fault != "cut"]),
    delay_s=st.floats(0.0, 8.0),
    pauses=PAUSES,
)
@MANY
def test_no_fault_makes_a_wrong_answer_where_each_reply_has_its_line(
    style: str,
    resource: str,
    right_ones: int,
    fault: str,
    delay_s: float,
    pauses: list[float],
    link_in_process: LinkMaker,
) -> None:
    # one fault at a time: two that cancel out (a reply lost, the next one doubled), or a number
    # cut short but ended in order, cannot be told from right ones in these styles
    box, clock = FaultyBox(terse=style == "terse"), VirtualClock()
    link = link_in_process(box, style=STYLES[style], resource=resource, clock=clock)
    box.plan.extend([*[("none", 0.0)] * right_ones, (fault, delay_s)])
    converse(link, pauses, clock)


@given(plan=PLANS)
@MANY
def test_no_fault_while_opening_makes_a_wrong_identity(
    plan: list[tuple[str, float]], link_in_process: LinkMaker
) -> None:
    try:
        link = link_in_process(FaultyBox(plan))
    except InstrumentError:
        return
    assert link.identity() == IDENTITY


def test_late_reply_is_not_the_answer_to_the_next_question(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box, timeout_s=1.0)
    box.plan.append(("late", 1.5))
    assert link.ask("VAL? 1") == "1"  # asked again after the late one was thrown away
    assert link.ask("VAL? 2") == "2"


def test_commands_are_never_sent_twice(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    for fault in FAULTS:
        box.heard.clear()
        box.plan.append((fault, 1.5))
        assert link.tell("SET 7", "SET?") == ["7"]
        assert sum(message.count("SET 7") for message in box.heard) == 1


def test_lost_command_with_nothing_to_read_back_counts_as_not_done(
    link_in_process: LinkMaker,
) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.plan.append(("lost", 0.0))
    with pytest.raises(NoReply, match=r"count as not done; sent 'SET 7'"):
        link.batch(["SET 7"])


def test_mute_box_is_lost_and_found_again(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.mute = True
    with pytest.raises(LostInstrument, match="also not after closing and reopening"):
        link.ask("VAL? 1")
    box.mute = False
    assert link.ask("VAL? 2") == "2"


def test_off_command_reaches_a_mute_box_before_anything_else(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.mute = True
    with pytest.raises(LostInstrument):
        link.ask("VAL? 1")
    box.heard.clear()
    link.shout("SET 0")
    assert box.heard == ["SET 0"]


def test_errors_of_the_box_are_quoted(link_in_process: LinkMaker) -> None:
    link = link_in_process(FaultyBox())
    with pytest.raises(BoxError) as caught:
        link.tell("SET 5", "FOO 1", "SET?", asked="five")
    assert caught.value.entries == ((-113, '-113,"Undefined header;FOO"'),)
    for part in ("box", SOCKET, "asked for five", "'SET 5;:FOO 1;:SET?'", "got '5'", "manual"):
        assert part in str(caught.value)
    assert link.errors() == []


def test_error_that_goes_down_with_its_reply_is_still_told(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.plan.append(("lost", 0.0))
    with pytest.raises(BoxError, match="text was lost"):
        link.tell("FOO 1", "SET?")


def test_endless_error_queue_ends(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.queue = ['-350,"Queue overflow"'] * 1000
    assert len(link.errors()) == 64


def test_power_cycle_of_the_box_is_noticed(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    box.power_cycle()
    with pytest.raises(LostInstrument, match="switched off and on"):
        link.ask("VAL? 1")
    assert link.ask("VAL? 3") == "3"


def test_wrong_identity_is_refused(link_in_process: LinkMaker) -> None:
    link = link_in_process(FaultyBox())
    link.expect("BOATHOUSE,FAULTY")
    with pytest.raises(WrongIdentity, match=r"BOATHOUSE,OTHER.*got 'BOATHOUSE,FAULTY BOX"):
        link.expect("BOATHOUSE,OTHER")


def test_babble_without_end_is_given_up(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    endless = itertools.repeat([(0.0, b"7" * 20_000)])
    box.replies = lambda message: next(endless)  # type: ignore[method-assign]
    with pytest.raises(InstrumentError):
        link.ask("VAL? 1")


def test_every_line_is_recorded_in_order(link_in_process: LinkMaker) -> None:
    record: list[tuple[str, str, str]] = []
    box = FaultyBox()
    link = link_in_process(box, record=lambda *line: record.append(line))
    record.clear()
    box.plan.append(("lost", 0.0))
    link.ask("VAL? 1")
    assert record[0][:2] == ("box", ">") and record[0][2].startswith("VAL? 1;*")
    assert record[1][1] == "!" and "TMO" in record[1][2]
    assert [direction for _, direction, _ in record[2:4]] == [">", "<"]
    assert record[-1][1] == "<" and record[-1][2].startswith("1;")


def test_what_the_recorder_raises_is_not_taken_for_a_fault_of_the_box(
    link_in_process: LinkMaker,
) -> None:
    full = False

    def record(*_line: str) -> None:
        if full:
            raise OSError(28, "No space left on device")

    link = link_in_process(FaultyBox(), record=record)
    full = True
    with pytest.raises(OSError, match="No space left"):
        link.ask("VAL? 1")
    full = False
    assert link.ask("VAL? 2") == "2"


def test_reply_that_is_broken_off_by_an_exception_is_not_taken_later(
    link_in_process: LinkMaker,
) -> None:
    stop = False

    def record(_name: str, direction: str, _text: str) -> None:
        if stop and direction == ">":
            raise KeyboardInterrupt

    link = link_in_process(FaultyBox(), record=record)
    stop = True
    with pytest.raises(KeyboardInterrupt):
        link.ask("VAL? 1")
    stop = False
    assert link.ask("VAL? 2") == "2"


@pytest.mark.parametrize("bare", [EOFError("cut"), RuntimeError("dropped"), AssertionError()])
@pytest.mark.parametrize("call", ["read", "write"])
def test_bare_errors_of_a_visa_library_are_failures_of_the_wire(
    link_in_process: LinkMaker, monkeypatch: pytest.MonkeyPatch, bare: Exception, call: str
) -> None:
    # What the pure-Python VISA raises when a VXI-11 or HiSLIP connection is cut.
    link, calls = link_in_process(FaultyBox()), {"read": 0, "write": 0, "close": 0}

    def cut(name: str) -> None:
        whole = getattr(FaultyLibrary, name)

        def once(self: FaultyLibrary, *given: object) -> object:
            calls[name] += 1
            if calls[name] == 1:
                raise bare
            return whole(self, *given)

        monkeypatch.setattr(FaultyLibrary, name, once)

    cut(call)
    cut("close")
    assert link.ask("VAL? 1") == "1"
    link.reopen()
    assert link.ask("VAL? 2") == "2" and calls["close"] >= 1


def test_reply_of_the_wrong_form_is_a_bad_reply(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    with pytest.raises(BadReply, match="answers came to"):
        link.batch(["VAL? 1;:VAL? 2"])


def test_closing_puts_the_event_mask_back(link_in_process: LinkMaker) -> None:
    box = FaultyBox()
    link = link_in_process(box)
    assert box.mask != "0"
    link.close()
    assert box.mask == "0"
    link.close()


def test_drivers_load_without_pyvisa() -> None:
    code = "import sys, drivers.families, drivers.link; print('pyvisa' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
