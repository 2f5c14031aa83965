"""Forms in which data are stored beside the newest one: tables of older formats, packed payloads."""
