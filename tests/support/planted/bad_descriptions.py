"""Description files with one planted fault each, made of built-in ones, and the check of the kit that must name it."""

# driver, [(text in its file, the text that replaces it), ...], check
PLANTED_IN_FILES = [
    (
        "thermometer",
        [
            ('[checksum]\nname = "xor"\nmark = "*"\n', ""),
            ('{state:letters}"', '{state:letters}*{:word}"'),
            ('firmware={firmware:word}"', 'firmware={firmware:word}*{:word}"'),
        ],
        "checksum",
    ),
    ("ph-meter", [('name = "lrc"', 'name = "sum"')], "understands"),
    ("rotational", [('ends = ["\\r\\n"]', 'ends = ["\\n"]')], "understands"),
    ("rotational", [("low = -110\nhigh = 110", "low = -1\nhigh = -0.5")], "over range"),
    ("level", [('begin = "$"\n', "")], "understands"),
    ("rotational", [("longest = 94", "longest = 20")], "understands"),
    ("thermometer", [("serial={serial:word}", "sn={serial:word}")], "understands"),
    ("rotational", [('send = "halt"', 'send = "halt"\ntries = 1')], "motion"),
    (
        "rotational",
        [('pattern = "ok {command:letters}[ {value:number}]"', 'pattern = "OK {command:letters}"')],
        "confirmed",
    ),
    ("rotational", [('send = "speed {value}"', 'send = "bath {value}"')], "confirmed"),
    ("thermometer", [('stale_after = "5 s"', 'stale_after = "500 ms"')], "times"),
    ("balance", [('send = "mass?"', 'send = "G?"')], "understands"),
    ("balance", [("decimals = 3\n", "decimals = 2\n")], "understands"),
    ("thermometer", [('ok = "", ', "")], "understands"),
    ("rotational", [('timeout = "300 ms"', 'timeout = "60 s"')], "late answers"),
    ("thermometer", [('means = { ok = "", ', 'others = "ignored"\nmeans = { ')], "ignored states"),
    ("thermometer", [('interval = "1 s"', 'interval = "20 s"')], "times"),
    ("scpi-thermometer", [('longest_pause = "100 ms"', 'idle = "300 ms"')], "cut off"),
    ("scpi-thermometer", [('longest_pause = "100 ms"', "")], "cut off"),
]
