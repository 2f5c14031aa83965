"""Wrong descriptions of dialects: frames of bytes, checksums in bytes, blocks of lines, several readings in a line."""

from tests.campaigns.planted.wrong_values import ALIKE

MANUAL = "only the manual tells its meaning"
ORDER = "The order of several readings of one line is wrong: the display shows the latest one."

# dialect, [(text in its file, the text that replaces it)], the sentence for one that cannot be found
WRONG_FILES = [
    ("density", [("{density:f32be}", "{density:f32le}")], ""),
    ("density", [("{density:f32be}", "{density:u32be}")], ""),
    ("density", [("{temperature:i16le}", "{temperature:u16le}")], ALIKE),
    ("density", [("{temperature:i16le}", "{temperature:i16be}")], ""),
    ("density", [("scale = 0.01,", "scale = 0.1,")], ""),
    ("density", [("polynomial = 0x1021", "polynomial = 0x8005")], ""),
    ("density", [("initial = 0xFFFF", "initial = 0")], ""),
    ("density", [("reflected = true, final = 0xFFFF", "reflected = true")], ""),
    ("density", [('written = "little_endian"', 'written = "big_endian"')], ""),
    ("density", [("skip = 2", "skip = 0")], ""),
    ("density", [("adds = 3", "adds = 4")], ""),
    ("density", [('length = "u8"', 'length = "u16be"')], ""),
    ("density", [("{state:u8}", "{:any 1}"), ('split.state = { probe = "0", air = "1", ignored = "7-4" }\n', ""),
                 ('fields.probe.means = { 0 = "", 1 = "temperature: probe" }\n', ""),
                 ('fields.air.means = { 0 = "", 1 = "density: sensor" }\n', "")], MANUAL),
    ("density", [('probe = "0", air = "1"', 'probe = "1", air = "0"')], MANUAL),
    ("density", [("A0 {address as u8}", "A1 {address as u8}")], ""),
    ("density", [("{serial:ascii}", "{serial:ascii 4}")], ""),
    ("moisture", [("signed_bits = 16, scale = 0.1 ", "scale = 0.1 ")], ""),
    ("moisture", [("scale = 0.01, special", "scale = 0.1, special")], ""),
    ("moisture", [("covers_mark = true\n", "")], ""),
    ("moisture", [('name = "xor"', 'name = "sum"')], ""),
    ("moisture", [('begin = "\\u0002"\n', 'begin = "0"\n')], ""),
    ("moisture", [("{moisture:hex}T{temperature:hex}", "{temperature:hex}T{moisture:hex}")], ""),
    ("moisture", [('[line.value]\nsays = "reading"', '[line.value]\nchecksum = "none"\nsays = "reading"')], ""),
    ("printer", [("lines = 4", "lines = 3")], ""),
    ("printer", [("Gross{gross:padded} kg", "Gross{gross:padded} {:word}")], ""),
    ("printer", [('units = { kg = "kg", g = "g" }', 'units = { kg = "kg", g = "kg" }')], ""),
    ("printer", [('fields.tare_unit = { units = { kg = "kg", g = "g" }, unit_of = ["tare"] }\n', ""),
                 ("{tare_unit:word}", "{:word}")], ""),
    ("printer", [("Net{mass:padded}", "Net{:padded}"), ('name = "mass"', 'name = "net"')], ""),
    ("printer", [('[[channel]]\nname = "mass"\nunit = "kg"', '[[channel]]\nname = "mass"\nunit = "g"')], ""),
    ("printer", [('ignore = ["Date ", "Works "]', 'ignore = ["Date "]')], ""),
    ("tilt", [('complement = "twos"', 'complement = "ones"')], ""),
    ("tilt", [('after = "$"\n', "")], ""),
    ("tilt", [('f1 = { channel = "signal", reading = 1', 'f1 = { channel = "signal", reading = 2'),
              ('f2 = { channel = "signal", reading = 2', 'f2 = { channel = "signal", reading = 1')], ORDER),
    ("tilt", [("{t3:number}", "{:number}"), ('t3 = { channel = "temperature", reading = 3 }\n', "")], ""),
    ("tilt", [('split.state = { bridge = "0", overload = "2-1", ignored = "7-3" }',
               'split.state = { bridge = "0", overload = "2-1", ignored = "7-4" }')], MANUAL),
]  # fmt: skip
