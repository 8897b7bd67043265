"""Settings, read once: a TOML file, and environment variables for secrets only."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import SecretStr, ValidationError

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.complaints import faults_of
from carewatch.roster.document import Document, parse_toml
from carewatch.settings.model import SECRETS, SECTIONS, RosterSettings, Section, Settings
from carewatch.settings.rules import faults_between

DEFAULT_FILE = Path("config/carewatch.toml")
MOST_BYTES = 1_000_000  # chosen: a settings file is a page long


def read_settings(file: Path = DEFAULT_FILE, environ: Mapping[str, str] | None = None) -> Settings:
    """The settings of a file and of the environment (by default the process's own); FaultyFiles names every fault."""
    environ = os.environ if environ is None else environ
    return parse_settings(file, _text_of(file), environ)


def parse_settings(file: Path, text: str, environ: Mapping[str, str]) -> Settings:
    """The settings from a text."""
    document = parse_toml(file.as_posix(), text)
    faults: list[Fault] = []
    sections = {name: _section(document, name, environ, faults) for name in SECTIONS}
    faults.extend(faults_between(document, environ, sections["weather"]))
    if any(not fault.is_warning for fault in faults):
        raise FaultyFiles(sorted(faults, key=lambda fault: fault.line or 0))
    found: dict[str, Any] = dict(sections)
    return Settings(file=file, origins=dict(_origins(document, environ)), warnings=tuple(faults), **found)


def fleet_paths_in(file: Path) -> tuple[Path, ...]:
    """The fleet files a settings file names, even where the rest of it has faults; nothing if that cannot be read."""
    try:
        written = parse_toml(file.as_posix(), _text_of(file)).data.get("roster", {})
        fleets = RosterSettings.model_validate(written).fleets
    except (FaultyFiles, ValidationError):
        return ()
    return tuple(file.parent / Path(path).expanduser() for path in fleets)


def _text_of(file: Path) -> str:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise FaultyFiles([_file_fault(file, "is larger than 1 MB.", "This cannot be a settings file.")])
        return file.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise FaultyFiles([_file_fault(file, "is not UTF-8 text.", "Save it again as UTF-8.")]) from error
    except FileNotFoundError as error:
        fix = "Name the settings file with --config, or copy the folder config/ and begin with that."
        raise FaultyFiles([_file_fault(file, "does not exist.", fix)]) from error
    except OSError as error:
        problem = f"cannot be read: {error.strerror}."
        raise FaultyFiles([_file_fault(file, problem, "Check its path and its rights.")]) from error


def _file_fault(file: Path, problem: str, fix: str) -> Fault:
    return Fault(file=file.as_posix(), line=None, field="(file)", value="", problem=problem, fix=fix)


def _section(document: Document, name: str, environ: Mapping[str, str], faults: list[Fault]) -> Section | None:
    model = SECTIONS[name]
    written = document.data.get(name, {})
    if isinstance(written, dict):
        secret_keys = {key for section, key in SECRETS.values() if section == name}
        written = {key: value for key, value in written.items() if key not in secret_keys}
        for variable, (section, key) in SECRETS.items():
            if section == name and environ.get(variable):
                written[key] = SecretStr(environ[variable])
    try:
        return model.model_validate(written)
    except ValidationError as error:
        faults.extend(faults_of(error, model, document, (name,)))
        return None


def _origins(document: Document, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    variables = {f"{section}.{key}": variable for variable, (section, key) in SECRETS.items()}
    for section, model in SECTIONS.items():
        for key in model.model_fields:
            name = f"{section}.{key}"
            if environ.get(variables.get(name, "")):
                yield name, f"environment {variables[name]}"
            elif key in document.data.get(section, {}):
                yield name, f"{document.name}:{document.line_of((section, key))}"
            else:
                yield name, "default"
