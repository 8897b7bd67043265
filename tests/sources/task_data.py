"""Task data of our own, made to the standard: writes tests/data/iso11783 anew with `python -m tests.sources.task_data`.

One sprayer with two booms (a valve side each) works three tasks: one with a binary log of work states, one with the
task's effective time and the lifetime counter, one with time elements alone.
"""

from __future__ import annotations

import struct
import zipfile
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "data" / "iso11783"
LOG = "TLG00001"
BEGAN = datetime(2026, 5, 11, 7, 30)
DAY_ZERO = datetime(1980, 1, 1)

TASKDATA = """<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="Example Farm Office"
    ManagementSoftwareVersion="1.0" TaskControllerManufacturer="Example Terminal" TaskControllerVersion="1.0"
    DataTransferOrigin="2">
  <DVC A="DVC-1" B="Example Sprayer" C="1.0" D="A00084000DE0A1B2" E="SP-2044" F="31303030303030" G="FF000000406564">
    <DET A="DET-1" B="1" C="1" D="Sprayer" E="0" F="0"/>
    <DET A="DET-2" B="2" C="2" D="Boom front" E="1" F="1"/>
    <DET A="DET-3" B="3" C="2" D="Boom rear" E="2" F="1"/>
    <DET A="DET-4" B="4" C="4" D="Section 1" E="3" F="2"/>
  </DVC>
  <DVC A="DVC-2" B="Example Weather Mast" C="1.0" D="A00084000DE0A1C3" E="WM-1" F="31303030303030" G="FF000000406564">
    <DET A="DET-5" B="1" C="1" D="Mast" E="0" F="0"/>
  </DVC>
  <TSK A="TSK-1" B="North field" G="4">
    <TIM A="2026-05-11T07:30:00" B="2026-05-11T11:00:00" D="4"/>
    <TLG A="TLG00001" C="1"/>
  </TSK>
  <TSK A="TSK-2" B="River field" G="4">
    <TIM A="2026-05-12T08:00:00" B="2026-05-12T10:00:00" D="4">
      <DLV A="0077" B="5400" C="DET-1"/>
      <DLV A="0112" B="2160000" C="DET-1"/>
    </TIM>
    <TIM A="2026-05-12T10:00:00" B="2026-05-12T10:40:00" D="5"/>
    <TIM A="2026-05-12T10:40:00" B="2026-05-12T12:40:00" D="4">
      <DLV A="0077" B="10800" C="DET-1"/>
      <DLV A="0112" B="2165400" C="DET-1"/>
    </TIM>
  </TSK>
  <TSK A="TSK-3" B="Hill field" G="4">
    <TIM A="2026-05-13T06:00:00" B="2026-05-13T06:20:00" D="2"/>
    <TIM A="2026-05-13T06:20:00" C="7200" D="4"/>
    <TIM A="2026-05-13T08:20:00" B="2026-05-13T08:50:00" D="7"/>
    <TIM A="2026-05-13T08:50:00" D="4"/>
    <DAN A="A00084000DE0A1B2" C="DVC-1"/>
  </TSK>
</ISO11783_TaskData>
"""
HEADING = """<?xml version="1.0" encoding="UTF-8"?>
<TIM A="" D="4">
  <PTN A="" B="" C="" D=""/>
  <DLV A="008D" B="" C="DET-1"/>
  <DLV A="00A1" B="" C="DET-4"/>
  <DLV A="00A1" B="" C="DET-3"/>
</TIM>
"""
WORK, FRONT, REAR = 0, 1, 2  # places of the values in the heading
ALL_ON, ALL_OFF = 0b01010101, 0


def record(at: datetime, *values: tuple[int, int], position: bytes | None = None) -> bytes:
    """One record of a binary log; the position is four fields unless given otherwise."""
    passed = at - DAY_ZERO
    clock_ms = round(passed.seconds * 1000 + passed.microseconds / 1000)
    where = struct.pack("<iiiB", 416200000, -932800000, 285000, 1) if position is None else position
    told = b"".join(struct.pack("<Bi", place, value) for place, value in values)
    return struct.pack("<IH", clock_ms, passed.days) + where + struct.pack("<B", len(values)) + told


def log() -> bytes:
    """Two hours with both booms on, half an hour off, then one hour with the rear boom alone, a record a minute."""
    out = []
    for minute in range(211):
        at = BEGAN + timedelta(minutes=minute)
        told: list[tuple[int, int]] = []
        if minute == 0:
            told = [(WORK, 1), (FRONT, ALL_ON), (REAR, ALL_ON)]
        elif minute == 120:
            told = [(WORK, 0)]
        elif minute == 150:
            told = [(WORK, 1), (FRONT, ALL_OFF)]
        elif minute == 210:
            told = [(REAR, ALL_OFF), (WORK, 0)]
        out.append(record(at, *told))
    return b"".join(out)


def files() -> dict[str, bytes]:
    """Every file of the sample."""
    return {"TASKDATA.XML": TASKDATA.encode(), f"{LOG}.XML": HEADING.encode(), f"{LOG}.BIN": log()}


def zipped(contents: dict[str, bytes], folder: str = "TASKDATA/") -> bytes:
    """Files as a task controller exports them."""
    into = BytesIO()
    with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in contents.items():
            archive.writestr(folder + name, content)
    return into.getvalue()


if __name__ == "__main__":
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, content in files().items():
        (FOLDER / name).write_bytes(content)
