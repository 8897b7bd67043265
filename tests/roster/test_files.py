"""Fleet files from the disk: one content is one fingerprint, and a CSV counts only beside its fleet file."""

from __future__ import annotations

import pytest

from carewatch.roster.files import FoundFiles, fingerprint_of, read_texts
from tests.roster.broken_rosters import FLEET


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


@pytest.mark.parametrize("named", ["b.toml", "../m.csv", ".hidden.csv", "m.txt", "nowhere.csv"])
def test_only_a_csv_beside_the_fleet_file_is_read_with_it(tmp_path, named):
    folder = tmp_path / "fleets"
    folder.mkdir()
    for other in ("b.toml", "../m.csv", ".hidden.csv", "m.txt"):
        (folder / other).write_text("id\n")
    fleet = folder / "a.toml"
    fleet.write_text(FLEET.replace("[fleet]\n", f'[fleet]\nmachines_csv = "{named}"\n', 1))
    assert list(read_texts([fleet]).texts) == [fleet.as_posix()]
