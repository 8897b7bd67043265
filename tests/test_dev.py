"""dev.py answers a slip with one line, never with a traceback."""

from __future__ import annotations

import pytest

import dev


@pytest.mark.parametrize("words", [[], ["run"], ["tset"]])
def test_without_a_known_word_it_says_what_there_is(words, capsys):
    assert dev.main(words) == 2
    assert "dev.py demo" in capsys.readouterr().out


def test_a_command_that_is_not_there_is_named(capsys):
    assert dev.run(["no-such-command", "--help"]) == 2
    assert "There is no command no-such-command" in capsys.readouterr().out
