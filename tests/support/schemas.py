"""Places in a JSON Schema, found by the rules of JSON Schema and without the code that makes the tables."""

SQL = {
    "string": "text", "number": "double precision", "integer": "integer", "boolean": "boolean",
    "date-time": "timestamptz", "uuid": "uuid", "object": "boolean",
}  # fmt: skip


def resolved(root, schema):
    """Return the alternatives of the schema with references resolved, including null."""
    if "$ref" in schema:
        return resolved(root, root["$defs"][schema["$ref"].rpartition("/")[2]])
    if "anyOf" in schema:
        return [found for one in schema["anyOf"] for found in resolved(root, one)]
    return [schema]


def type_of(one):
    return one.get("type") or ("string" if "enum" in one else {int: "integer", str: "string"}[type(one.get("const"))])


def place(root, path):
    """Return the type or format of a path's value, True if it may be null, and the keys beside it."""
    options, beside, may_be_null = [root], {}, False
    for step in path.replace("[decisive]", "[]").replace("[]", ".[]").split("."):
        may_be_null |= any(o.get("type") == "null" for o in options) or step == "[]"
        (here,) = [o for o in options if o.get("type") != "null"]
        beside = here["items"] if step == "[]" else here["properties"][step]
        options = resolved(root, beside)
    may_be_null |= any(o.get("type") == "null" for o in options)
    (here,) = [o for o in options if o.get("type") != "null"]
    return beside.get("format") or type_of(here), may_be_null, beside
