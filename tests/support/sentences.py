"""Sentences for persons that more than one test asserts, so that new wording changes one line here.

Reasons, cautions and advice of results are not here: tests check their codes.
"""

# Files
UNKNOWN_KEY = "is not a known key"
NO_SUCH_FILE = "there is no such file"
BEGINS_WITH_A_SMALL_LETTER = "begin with a small letter"
TOO_LONG_FOR_SETTINGS = "far too long for a settings file"
AT_LEAST_ONE = "must be at least 1; here 0"
STEP_WITHOUT_STOP = "is missing: what ends the step, for example stop = '60 s'"
SEEK_TAKES_NO_SPAN = "has no place in a step that seeks: a try ends by itself, over the seek's span"
REVOLUTIONS_WITHOUT_SPEED = "is in revolutions, but the step has no speed; write a time"
NO_VISCOSITY_FROM_A_THERMOMETER = (
    "there is no signal 'viscosity' on thermo-1; signals: elapsed, readings, revolutions, temperature"
)
COMPANION_NOT_CONNECTED = "'external.temperature' comes from the companion thermo-1, which is not connected; connect it, or use another method"
NO_INSTRUMENT = "there is no instrument 'bench-9'"
NO_FIELD_OF_A_REFUSAL = "is no field of a refusal"

# Ports and instruments
NO_SUCH_DEVICE = "there is no such device"
NO_SUCH_ADAPTER = "no such adapter is plugged in"
TEMPERATURE_OF_THE_SIMULATOR = "temperature must be -20 to 150"

# The store and its journals
NOT_A_DATABASE = "not a database of daq"
JOURNAL_WITHOUT_FORMAT = "the journal has no format number"
FLIPPED_BIT_OUT_OF_RANGE = "--flip-bit: must be from 0 to"
SAME_BIT_FOR_BIT = "the same, bit for bit"
DAMAGED_JOURNAL = "journal is damaged: "

# The broker and the collector
LARGER_THAN_THE_BROKER_TAKES = "larger than the broker accepts"
CLIENT_CERTIFICATE_NEEDED = "requires a valid client certificate"
