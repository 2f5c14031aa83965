"""Forms in which data are stored or read: tables of older formats, packed payloads, values of a result."""
