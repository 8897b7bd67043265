"""Fleet files with one mistake each, and what has to be said about it. Run this file to read the messages."""

from __future__ import annotations

from dataclasses import dataclass

from carewatch.errors import FaultyFiles
from carewatch.roster.reading import parse_roster

FILE = "fleets/farm.toml"
FLEET = """\
[fleet]
id = "long-field"
name = "Long Field"
zone = "America/Chicago"

[[site]]
id = "yard"
name = "Yard"
lat_deg = 41.62
lon_deg = -93.28
elevation_m = 285
zone = "America/Chicago"
contacts = ["mia", "tom"]

  [[site.place]]
  id = "gravel"
  kind = "outdoors"

  [[site.place]]
  id = "shop"
  kind = "heated_shop"

[[person]]
id = "mia"
name = "Mia Lund"
roles = ["manager"]
email = "mia@long-field.example"

[[person]]
id = "tom"
name = "Tom Adeyemi"
roles = ["operator"]
email = "tom@long-field.example"

[[machine]]
id = "north"
name = "North sprayer"
home_site = "yard"
home_place = "gravel"
operators = ["tom"]
boom_width_m = 36.0
sections = [12, 12, 12, 12, 12, 12]
sides = ["front", "rear"]
held_l = 115
tank_l = 4000
rinse_tank_l = 400
nozzle_size = "04"
nozzle_pressure_kpa = 300
"""

SECOND_MACHINE = """
[[machine]]
id = "south"
name = "South sprayer"
home_site = "yard"
home_place = "shop"
operators = ["tom"]
boom_width_ft = 90
sections = [9, 9, 18, 9, 9]
tank_gal = 1000
rinse_tank_gal = 100
nozzle_size = "03"
nozzle_pressure_psi = 40
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """One mistake: `old` becomes `new` in the fleet file (`old` empty: `new` is added at the end)."""

    old: str
    new: str
    at: str | None  # the written line the fault must point to; None: no line can be asked for
    field: str
    says: tuple[str, ...]  # pieces of problem and fix
    is_warning: bool = False

    @property
    def text(self) -> str:
        if not self.old:
            return FLEET + self.new
        assert FLEET.count(self.old) >= 1, self.old
        return FLEET.replace(self.old, self.new, 1)


def second(old: str, new: str) -> str:
    assert old in SECOND_MACHINE
    return SECOND_MACHINE.replace(old, new, 1)


def part(more: str = "") -> str:
    return f'\n[[part]]\nid = "kit"\nname = "Valve kit"\nreplaces = ["plunger", "seal"]\n{more}\n'


def revision(more: str = "") -> str:
    return f'\n[[revision]]\nid = "seal-2"\nname = "Second"\nof = "seal"\ntell_apart = "green ring"\n{more}\n'


CASES: dict[str, Broken] = {
    "two machines with one id": Broken(
        old="", new=second('id = "south"', 'id = "north"'), at='id = "north"', field="machine[2].id",
        says=("is the id of another machine", FILE + ":36", "never merged"),
    ),
    "two machines with one name": Broken(
        old="", new=second("South sprayer", "North  SPRAYER"), at='name = "North  SPRAYER"', field="machine[2].name",
        says=("is the name of another machine",),
    ),
    "latitude that does not exist": Broken(
        old="lat_deg = 41.62", new="lat_deg = 416.2", at="lat_deg = 416.2", field="site[1].lat_deg",
        says=("from -90 up to 90",),
    ),
    "latitude and longitude exchanged": Broken(
        old="lat_deg = 41.62\nlon_deg = -93.28", new="lat_deg = -93.28\nlon_deg = 41.62", at="lat_deg = -93.28",
        field="site[1].lat_deg", says=("out of range", "Are lat_deg and lon_deg exchanged?"),
    ),
    "zone that contradicts the coordinates": Broken(
        old='elevation_m = 285\nzone = "America/Chicago"', new='elevation_m = 285\nzone = "America/Los_Angeles"',
        at='zone = "America/Los_Angeles"', field="site[1].zone", says=("contradicts", 'Write zone = "America/Chicago"'),
    ),
    "longitude without its minus": Broken(
        old="lon_deg = -93.28", new="lon_deg = 93.28", at='zone = "America/Chicago"', field="site[1].zone",
        says=("contradicts the coordinates 41.62, 93.28", "minus of lon_deg missing"),
    ),
    "zone that does not exist": Broken(
        old='elevation_m = 285\nzone = "America/Chicago"', new='elevation_m = 285\nzone = "America/Chicgo"',
        at='zone = "America/Chicgo"', field="site[1].zone", says=("is not a time zone", "America/Chicago"),
    ),
    "person nobody can reach": Broken(
        old='roles = ["operator"]\nemail = "tom@long-field.example"', new='roles = ["operator"]',
        at="[[person]]", field="person[2].email", says=("nobody can reach Tom Adeyemi", "told_by"),
    ),
    "unknown key": Broken(
        old="boom_width_m = 36.0", new="boom_width_m = 36.0\nrinse_tnak_l = 400", at="rinse_tnak_l = 400",
        field="machine[1].rinse_tnak_l", says=("is not a key here", 'Did you mean "rinse_tank_l"?'),
    ),
    "unknown heading": Broken(
        old="[[machine]]", new="[[machines]]", at="[[machines]]", field="machines",
        says=("is not a heading here", 'Did you mean "machine"?'),
    ),
    "machine at a site that does not exist": Broken(
        old='home_site = "yard"', new='home_site = "yrad"', at='home_site = "yrad"', field="machine[1].home_site",
        says=("is not the id of a site", 'Did you mean "yard"?'),
    ),
    "place the site does not have": Broken(
        old='home_place = "gravel"', new='home_place = "gravle"', at='home_place = "gravle"',
        field="machine[1].home_place", says=("is not the id of a place of this site", 'Did you mean "gravel"?'),
    ),
    "contact who does not exist": Broken(
        old='contacts = ["mia", "tom"]', new='contacts = ["mia", "thom"]', at='contacts = ["mia", "thom"]',
        field="site[1].contacts[2]", says=("is not the id of a person", 'Did you mean "tom"?'),
    ),
    "site without contacts": Broken(
        old='contacts = ["mia", "tom"]', new="contacts = []", at="contacts = []", field="site[1].contacts",
        says=("is empty", "in the order they are told"),
    ),
    "number in quotation marks": Broken(
        old="tank_l = 4000", new='tank_l = "4000"', at='tank_l = "4000"', field="machine[1].tank_l",
        says=("is not a number", "without quotation marks"),
    ),
    "negative volume": Broken(
        old="held_l = 115", new="held_l = -115", at="held_l = -115", field="machine[1].held_l",
        says=("out of range: above 0 up to 1000",),
    ),
    "feet written as metres": Broken(
        old="boom_width_m = 36.0", new="boom_width_m = 120", at="boom_width_m = 120", field="machine[1].boom_width_m",
        says=("out of range: from 1 up to 60", "Feet?"),
    ),
    "both units": Broken(
        old="tank_l = 4000", new="tank_l = 4000\ntank_gal = 1057", at="tank_gal = 1057", field="machine[1].tank_gal",
        says=("given twice", "Keep one"),
    ),
    "neither unit": Broken(
        old="rinse_tank_l = 400\n", new="", at="[[machine]]", field="machine[1].rinse_tank_l",
        says=("is missing", "rinse_tank_gal = 106"),
    ),
    "width in neither unit": Broken(
        old="boom_width_m = 36.0\n", new="", at="[[machine]]", field="machine[1].boom_width_m",
        says=("is missing", "boom_width_ft = 120"),
    ),
    "site without places": Broken(
        old='  [[site.place]]\n  id = "gravel"\n  kind = "outdoors"\n\n'
        '  [[site.place]]\n  id = "shop"\n  kind = "heated_shop"\n',
        new="", at="[[site]]", field="site[1].place", says=("is missing", "Add one [[site.place]] for each spot"),
    ),
    "sections that hold nothing": Broken(
        old="sections = [12, 12, 12, 12, 12, 12]", new="sections = [0, 0]", at="sections = [0, 0]",
        field="machine[1].sections[1]", says=("out of range: from 1",),
    ),
    "label for a side there is not": Broken(
        old="held_l = 115", new='held_l = 115\nside_labels = { back = "B" }', at='side_labels = { back = "B" }',
        field="machine[1].side_labels.back", says=("is no side of this machine", "front, rear"),
    ),
    "part there is not": Broken(
        old="held_l = 115", new='held_l = 115\nplumbing = ["boom_pipe", "hosses", "rinse_tank"]',
        at='plumbing = ["boom_pipe", "hosses", "rinse_tank"]', field="machine[1].plumbing[2]",
        says=("is not known here", 'Did you mean "hoses"?'),
    ),
    "line break in a name": Broken(
        old='name = "North sprayer"', new='name = "North\\nBcc: all@farm.example"',
        at='name = "North\\nBcc: all@farm.example"', field="machine[1].name", says=("line breaks or invisible",),
    ),
    "name that never ends": Broken(
        old='name = "North sprayer"', new=f'name = "{"N" * 81}"', at=f'name = "{"N" * 81}"', field="machine[1].name",
        says=("is 81 characters long", "at most 80"),
    ),
    "no mail address": Broken(
        old="mia@long-field.example", new="mia(at)long-field.example", at='email = "mia(at)long-field.example"',
        field="person[1].email", says=("is not a mail address",),
    ),
    "no time of day": Broken(
        old='zone = "America/Chicago"\n\n', new='zone = "America/Chicago"\nday_mail_at = "6.30"\n\n',
        at='day_mail_at = "6.30"', field="fleet.day_mail_at", says=("is not a time of day", '"06:30"'),
    ),
    "working day that ends before it begins": Broken(
        old='zone = "America/Chicago"\n\n', new='zone = "America/Chicago"\nwork_ends_at = "06:00"\n\n',
        at='work_ends_at = "06:00"', field="fleet.work_ends_at", says=("before it begins (07:00)",),
    ),
    "night in the middle of the day": Broken(
        old='zone = "America/Chicago"\n\n', new='zone = "America/Chicago"\nnight_at = "10:00"\n\n',
        at='night_at = "10:00"', field="fleet.night_at", says=("into the working day (07:00 to 20:00)",),
    ),
    "tonight told later than the nights ahead": Broken(
        old='zone = "America/Chicago"\n\n', new='zone = "America/Chicago"\nthreshold_tonight = 0.4\n\n',
        at="threshold_tonight = 0.4", field="fleet.threshold_tonight", says=("above the threshold for later nights",),
        is_warning=True,
    ),
    "no date": Broken(
        old="held_l = 115", new='held_l = 115\nlast_use_on = "Nov 20"', at='last_use_on = "Nov 20"',
        field="machine[1].last_use_on", says=("is not a date", "2026-11-28"),
    ),
    "absence that ends before it begins": Broken(
        old='email = "tom@long-field.example"',
        new='email = "tom@long-field.example"\n[[person.absence]]\nfirst_on = 2026-11-20\nlast_on = 2026-11-02',
        at="last_on = 2026-11-02", field="person[2].absence[1].last_on", says=("is before first_on (2026-11-20)",),
    ),
    "deputy who is the absent person": Broken(
        old='email = "tom@long-field.example"',
        new='email = "tom@long-field.example"\n[[person.absence]]\nfirst_on = 2026-11-02\nlast_on = 2026-11-20\n'
        'deputy = "tom"',
        at='deputy = "tom"', field="person[2].absence[1].deputy", says=("is the absent person",),
    ),
    "id that is no id": Broken(
        old='id = "north"', new='id = "North Sprayer #1"', at='id = "North Sprayer #1"', field="machine[1].id",
        says=("is no id", 'Write "north-sprayer-1"'),
    ),
    "nozzle size as a number": Broken(
        old='nozzle_size = "04"', new="nozzle_size = 4", at="nozzle_size = 4", field="machine[1].nozzle_size",
        says=("is a number", '"04"'),
    ),
    "kind of place there is not": Broken(
        old='kind = "heated_shop"', new='kind = "heated shop"', at='kind = "heated shop"',
        field="site[1].place[2].kind", says=("is not known here", 'Did you mean "heated_shop"?'),
    ),
    "nobody is manager": Broken(
        old='roles = ["manager"]', new='roles = ["technician"]', at="[[person]]", field="person",
        says=("holds no manager",),
    ),
    "rinse tank larger than the tank": Broken(
        old="tank_l = 4000", new="tank_l = 300", at="rinse_tank_l = 400", field="machine[1].rinse_tank_l",
        says=("is more than the tank holds (300 L)",),
    ),
    "text without quotation marks": Broken(
        old='name = "North sprayer"', new="name = North sprayer", at="name = North sprayer", field="(syntax)",
        says=("is not TOML", "quotation marks"),
    ),
    "decimal comma": Broken(
        old="boom_width_m = 36.0", new="boom_width_m = 36,6", at="boom_width_m = 36,6", field="(syntax)",
        says=("with a point",),
    ),
    "key written twice": Broken(
        old="held_l = 115", new="held_l = 115\nheld_l = 116", at="held_l = 116", field="(syntax)", says=("twice",),
    ),
    "coordinates nobody filled in": Broken(
        old="lat_deg = 41.62\nlon_deg = -93.28", new="lat_deg = 0\nlon_deg = 0.0", at="lat_deg = 0",
        field="site[1].lat_deg", says=("both 0", "ocean"),
    ),
    "neighbour's clock near a border": Broken(
        old="lat_deg = 41.62\nlon_deg = -93.28", new="lat_deg = 43.9\nlon_deg = -101.4", at='zone = "America/Chicago"',
        field="site[1].zone", says=("may contradict", "America/Denver", "Leave it if people there keep this clock"),
        is_warning=True,
    ),
    "told by somebody without an address": Broken(
        old='email = "tom@long-field.example"', new='told_by = "tom"', at='told_by = "tom"', field="person[2].told_by",
        says=("cannot pass messages on to Tom Adeyemi",),
    ),
    "telephone alone": Broken(
        old='email = "tom@long-field.example"', new='phone = "+1 515 555 0134"', at="[[person]]",
        field="person[2].email", says=("A telephone alone is not enough",),
    ),
    "manager without an address": Broken(
        old='email = "mia@long-field.example"', new='told_by = "tom"', at="[[person]]", field="person[1].email",
        says=("nobody gets the day mail",),
    ),
    "contacts without an address": Broken(
        old='contacts = ["mia", "tom"]', new='contacts = ["ida"]\n[[person]]\nid = "ida"\nname = "Ida Vos"\n'
        'roles = ["owner"]\ntold_by = "mia"\n[[site]]\nid = "x"\nlat_deg = 41.62\nlon_deg = -93.28\n'
        'elevation_m = 3\n'
        'zone = "America/Chicago"\ncontacts = ["mia"]',
        at='contacts = ["ida"]', field="site[1].contacts", says=("nobody who has a mail address",),
    ),
    "deputy without an address": Broken(
        old='email = "tom@long-field.example"',
        new='told_by = "mia"\n[[person]]\nid = "ida"\nname = "Ida Vos"\nroles = ["owner"]\n'
        'email = "i@long-field.example"\n'
        '[[person.absence]]\nfirst_on = 2026-11-02\nlast_on = 2026-11-20\ndeputy = "tom"',
        at='deputy = "tom"', field="person[3].absence[1].deputy", says=("has no mail address",),
    ),
    "contact twice": Broken(
        old='contacts = ["mia", "tom"]', new='contacts = ["mia", "mia"]', at='contacts = ["mia", "mia"]',
        field="site[1].contacts[2]", says=("stands twice",),
    ),
    "two places with one id": Broken(
        old='id = "shop"', new='id = "gravel"', at='id = "gravel"', field="site[1].place[2].id",
        says=("is the id of another place at this site",),
    ),
    "side twice": Broken(
        old='sides = ["front", "rear"]', new='sides = ["front", "front"]', at='sides = ["front", "front"]',
        field="machine[1].sides[2]", says=("stands twice",),
    ),
    "label that is empty": Broken(
        old="held_l = 115", new='held_l = 115\nside_labels = { rear = "" }', at='side_labels = { rear = "" }',
        field="machine[1].side_labels.rear", says=("is empty",),
    ),
    "side that is no key": Broken(
        old='sides = ["front", "rear"]', new='sides = ["Front", "rear"]', at='sides = ["Front", "rear"]',
        field="machine[1].sides[1]", says=("is no key of a valve side", "side_labels"),
    ),
    "winter place there is not": Broken(
        old="held_l = 115", new='held_l = 115\nwinter_place = "yard/shpo"', at='winter_place = "yard/shpo"',
        field="machine[1].winter_place", says=("is no place", 'Did you mean "yard/shop"?'),
    ),
    "figures of a part there is not": Broken(
        old="", new="[machine.figures.hose]\ndiameter_mm = 25\n", at="[machine.figures.hose]",
        field="machine[1].figures.hose", says=("no wetted part of this machine", 'Did you mean "hoses"?'),
    ),
    "rinse tank listed but empty": Broken(
        old="rinse_tank_l = 400", new='rinse_tank_l = 0\nplumbing = ["tank", "rinse_tank"]',
        at='plumbing = ["tank", "rinse_tank"]', field="machine[1].plumbing[2]", says=("rinse_tank_l is 0",),
    ),
    "rinse tank that would be forgotten": Broken(
        old="held_l = 115", new='held_l = 115\nplumbing = ["tank"]', at='plumbing = ["tank"]',
        field="machine[1].plumbing", says=("lacks", "it can freeze as well"),
    ),
    "measured, but no figure": Broken(
        old="held_l = 115", new="held_is_measured = true", at="held_is_measured = true",
        field="machine[1].held_is_measured", says=("no held_l is given",),
    ),
    "telephone that is none": Broken(
        old='email = "tom@long-field.example"', new='email = "tom@long-field.example"\nphone = "ask Mia"',
        at='phone = "ask Mia"', field="person[2].phone", says=("is not a telephone number",),
    ),
    "quiet hours without an end": Broken(
        old='email = "tom@long-field.example"', new='email = "tom@long-field.example"\nquiet = "21:00"',
        at='quiet = "21:00"', field="person[2].quiet", says=("is not a span of the day", '"21:00-06:00"'),
    ),
    "quiet all day": Broken(
        old='email = "tom@long-field.example"', new='email = "tom@long-field.example"\nquiet = "21:00-21:00"',
        at='quiet = "21:00-21:00"', field="person[2].quiet", says=("begins and ends at the same minute",),
    ),
    "day that does not exist": Broken(
        old="held_l = 115", new='held_l = 115\nlast_use_on = "2026-02-30"', at='last_use_on = "2026-02-30"',
        field="machine[1].last_use_on", says=("is not a date",),
    ),
    "id as a number": Broken(
        old='id = "north"', new="id = 104", at="id = 104", field="machine[1].id", says=("is a number", '"104"'),
    ),
    "empty name": Broken(
        old='name = "North sprayer"', new='name = " "', at='name = " "', field="machine[1].name", says=("is empty",),
    ),
    "name as a number": Broken(
        old='name = "North sprayer"', new="name = 3", at="name = 3", field="machine[1].name",
        says=("is not a text", "quotation marks"),
    ),
    "nozzle size there is not": Broken(
        old='nozzle_size = "04"', new='nozzle_size = "blue"', at='nozzle_size = "blue"', field="machine[1].nozzle_size",
        says=("is no nozzle size", '"04"'),
    ),
    "one heading bracket too few": Broken(
        old="[[person]]\nid = \"mia\"", new="[person]\nid = \"mia\"", at="[[person]]", field="(syntax)",
        says=("two brackets every time",),
    ),
    "too many sides": Broken(
        old='sides = ["front", "rear"]', new='sides = ["a", "b", "c", "d", "e"]',
        at='sides = ["a", "b", "c", "d", "e"]', field="machine[1].sides", says=("is longer than 4",),
    ),
    "boom that holds far too much": Broken(
        old="held_l = 115", new="held_l = 900", at="held_l = 900", field="machine[1].held_l",
        says=("25 L per metre", "2.8 to 3.6"), is_warning=True,
    ),
    "nozzles three metres apart": Broken(
        old="sections = [12, 12, 12, 12, 12, 12]", new="sections = [6, 6]", at="sections = [6, 6]",
        field="machine[1].sections", says=("one every 3.00 m",), is_warning=True,
    ),
    "device of a side there is not": Broken(
        old="held_l = 115", new='held_l = 115\niso_sides = { middle = "1" }', at='iso_sides = { middle = "1" }',
        field="machine[1].iso_sides.middle", says=("is no side of this machine", "front"),
    ),
    "hours that weigh less than hours": Broken(
        old='zone = "America/Chicago"\n', new='zone = "America/Chicago"\nwear = { lime = 0.5 }\n',
        at="wear = { lime = 0.5 }", field="fleet.wear.lime", says=("is out of range",),
    ),
    "inspections that never come": Broken(
        old='zone = "America/Chicago"\n', new='zone = "America/Chicago"\ninspect_every_h = 90000\n',
        at="inspect_every_h = 90000", field="fleet.inspect_every_h", says=("from 50 up to 5000",),
    ),
    "part without a currency": Broken(
        old="", new=part("price = 4.5"), at="[fleet]", field="fleet.currency", says=("parts have prices", "USD"),
    ),
    "kind of part there is not": Broken(
        old="", new=part().replace('["plunger", "seal"]', '["plunjer"]'), at='replaces = ["plunjer"]',
        field="part[1].replaces[1]", says=("is not known here", 'Did you mean "plunger"?'),
    ),
    "part named like another kind": Broken(
        old="", new=part().replace('id = "kit"', 'id = "seat"'), at='id = "seat"', field="part[1].id",
        says=("is the word for a kind of part", "plunger, seal", "seat-kit"),
    ),
    "spares of a machine there is not": Broken(
        old="", new=part("min_stock_of = { nord = 3 }"), at="min_stock_of = { nord = 3 }",
        field="part[1].min_stock_of.nord", says=("is no machine of this fleet", 'Did you mean "north"?'),
    ),
    "part for a side there is not": Broken(
        old="", new=part('sides = ["middle"]'), at='sides = ["middle"]', field="part[1].sides[1]",
        says=("is no side of any machine here", "front, rear"),
    ),
    "part that comes with an unknown revision": Broken(
        old="", new=part('comes_with = ["seal-9"]') + revision(), at='comes_with = ["seal-9"]',
        field="part[1].comes_with[1]", says=("is no revision here", 'Did you mean "seal-2"?'),
    ),
    "revision nobody can tell apart": Broken(
        old="", new=revision().replace('tell_apart = "green ring"\n', ""), at="[[revision]]",
        field="revision[1].tell_apart", says=("is missing",),
    ),
    "revision with a part that does not renew it": Broken(
        old="", new=part().replace('["plunger", "seal"]', '["coil"]') + revision('part = "kit"'), at='part = "kit"',
        field="revision[1].part", says=("does not renew a seal",),
    ),
    "retrofit paid by nobody": Broken(
        old="", new=revision("paid_until = 2027-03-31"), at="paid_until = 2027-03-31",
        field="revision[1].paid_until", says=("not who pays", "paid_by"),
    ),
    "two parts with one id": Broken(
        old="", new=part() + part().replace("Valve kit", "Other kit"), at='id = "kit"', field="part[2].id",
        says=("is the id of another part", "never merged"),
    ),
    "price below nothing": Broken(
        old="", new=part("price = -1"), at="price = -1", field="part[1].price", says=("from 0 up to 100000",),
    ),
    "fleet shown to somebody unknown": Broken(
        old='zone = "America/Chicago"\n', new='zone = "America/Chicago"\nseen_by = ["tim"]\n', at='seen_by = ["tim"]',
        field="fleet.seen_by[1]", says=("is not the id of a person in any fleet file", 'Did you mean "tom"?'),
    ),
    "fleet shown to somebody who is no technician": Broken(
        old='zone = "America/Chicago"\n', new='zone = "America/Chicago"\nseen_by = ["tom"]\n', at='seen_by = ["tom"]',
        field="fleet.seen_by[1]", says=("is no technician",),
    ),
    "machine nobody operates": Broken(
        old='operators = ["tom"]\n', new="", at="[[machine]]", field="machine[1].operators",
        says=("nobody gets the evening message",), is_warning=True,
    ),
}  # fmt: skip


if __name__ == "__main__":
    for name, case in CASES.items():
        print(f"--- {name}")
        try:
            print("\n".join(str(fault) for fault in parse_roster({FILE: case.text})[1]))
        except FaultyFiles as faulty:
            print(faulty)
