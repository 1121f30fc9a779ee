"""The transition tables: whole, reachable, owned, and drawn as they are."""

from pathlib import Path

import pytest

from logbook import states
from logbook.states import MACHINES, NOBODY, MoveRefused

each = pytest.mark.parametrize("machine", MACHINES.values(), ids=MACHINES)


@each
def test_every_state_is_reached_and_every_move_names_states(machine):
    codes = set(machine.codes)
    assert {m.source for m in machine.moves} | {m.target for m in machine.moves} == codes
    reached, waiting = set(), [machine.start]
    while waiting:
        state = waiting.pop()
        if state not in reached:
            reached.add(state)
            waiting += machine.after(state)
    assert reached == codes


@each
def test_every_state_has_a_meaning_once_and_every_move_stands_once(machine):
    assert len(set(machine.codes)) == len(machine.codes)
    moves = [(m.source, m.target) for m in machine.moves]
    assert len(set(moves)) == len(moves)
    assert all(state.meaning for state in machine)
    assert all(source != target for source, target in moves)


@each
def test_a_state_nobody_may_leave_has_no_owner_who_waits(machine):
    final = {s.code for s in machine if not machine.after(s.code)}
    assert all(machine.owner(code) == NOBODY for code in final)


@each
def test_check_refuses_exactly_what_is_not_in_the_table(machine):
    moves = {(m.source, m.target) for m in machine.moves}
    for source in machine.codes:
        for target in machine.codes:
            if (source, target) in moves:
                machine.check(source, target)
            else:
                with pytest.raises(MoveRefused):
                    machine.check(source, target)


def test_an_attestation_is_final_for_its_scan():
    assert states.SCAN.after("attested") == frozenset()


def test_the_page_in_the_docs_is_the_one_that_the_tables_give():
    page = Path(__file__).parents[2] / "docs" / "states.md"
    assert page.read_text("utf-8") == states.page()
