"""A broken live edit keeps the last good roster, and one content is one fingerprint."""

from __future__ import annotations

import pytest

from carewatch.errors import FaultyFiles
from carewatch.roster.files import FoundFiles, read_texts
from carewatch.roster.watch import choose_roster, fingerprint_of
from tests.roster.broken_rosters import CASES, FILE, FLEET, SECOND_MACHINE


def found(text: str) -> FoundFiles:
    return FoundFiles(texts={FILE: text}, faults=())


def test_a_sound_edit_counts_at_once():
    chosen = choose_roster({FILE: FLEET}, found(FLEET + SECOND_MACHINE))
    assert not chosen.is_last_good
    assert [machine.id for machine in chosen.roster.machines] == ["north", "south"]
    assert chosen.texts == {FILE: FLEET + SECOND_MACHINE}


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if not case.is_warning])
def test_a_broken_edit_keeps_the_last_good_version_and_names_the_faults(name):
    chosen = choose_roster({FILE: FLEET}, found(CASES[name].text))
    assert chosen.is_last_good
    assert [machine.id for machine in chosen.roster.machines] == ["north"]
    assert chosen.texts == {FILE: FLEET}
    assert chosen.fingerprint == fingerprint_of(found(CASES[name].text))


def test_a_broken_edit_corrected_counts_again():
    broken = choose_roster({FILE: FLEET}, found(FLEET + "["))
    again = choose_roster(broken.texts, found(FLEET + SECOND_MACHINE))
    assert not again.is_last_good
    assert again.faults == ()


def test_the_fingerprint_changes_with_content_name_and_what_could_not_be_read(tmp_path):
    (tmp_path / "a.toml").write_text(FLEET)
    sound = read_texts([tmp_path])
    assert fingerprint_of(sound) == fingerprint_of(read_texts([tmp_path]))
    (tmp_path / "b.toml").write_bytes(b"\xff")
    unreadable = read_texts([tmp_path])
    assert unreadable.texts == sound.texts
    assert fingerprint_of(unreadable) != fingerprint_of(sound)
    assert (
        len({fingerprint_of(FoundFiles(texts=texts, faults=())) for texts in ({"a": "bc"}, {"ab": "c"}, {"a": "b"})})
        == 3
    )


def test_a_file_that_vanished_keeps_the_last_good_version(tmp_path):
    chosen = choose_roster({FILE: FLEET}, read_texts([tmp_path]))
    assert chosen.is_last_good
    assert [fault.problem for fault in chosen.faults] == ["is a folder without a .toml file."]


def test_a_broken_first_version_is_refused():
    with pytest.raises(FaultyFiles):
        choose_roster(None, found("["))
    with pytest.raises(FaultyFiles):
        choose_roster({FILE: "also broken"}, found("["))
