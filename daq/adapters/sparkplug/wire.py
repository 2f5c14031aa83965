"""Protocol-buffer classes of a Sparkplug B payload, described at run time, without generated code.

Field numbers and types are those of the Sparkplug specification 3.0, chapter 6.  The description has the parts that an
edge node of scalar metrics writes or reads: payload, metric, property set.  The decoder skips all other fields, as
protocol buffers do with every unknown field.
"""

from typing import Any, Final

from google.protobuf.descriptor_pb2 import FieldDescriptorProto, FileDescriptorProto
from google.protobuf.descriptor_pool import DescriptorPool
from google.protobuf.message_factory import GetMessageClass

_PACKAGE: Final = "daq.sparkplug"
_TYPES: Final = {
    "uint32": FieldDescriptorProto.TYPE_UINT32,
    "uint64": FieldDescriptorProto.TYPE_UINT64,
    "float": FieldDescriptorProto.TYPE_FLOAT,
    "double": FieldDescriptorProto.TYPE_DOUBLE,
    "bool": FieldDescriptorProto.TYPE_BOOL,
    "string": FieldDescriptorProto.TYPE_STRING,
    "bytes": FieldDescriptorProto.TYPE_BYTES,
}

#: Name, number, type (a scalar or one of these messages) and occurrence: one, many, or a member of the oneof ``value``.
_FIELDS: Final = {
    "Payload": (
        ("timestamp", 1, "uint64", "one"),
        ("metrics", 2, "Metric", "many"),
        ("seq", 3, "uint64", "one"),
        ("uuid", 4, "string", "one"),
        ("body", 5, "bytes", "one"),
    ),
    "Metric": (
        ("name", 1, "string", "one"),
        ("alias", 2, "uint64", "one"),
        ("timestamp", 3, "uint64", "one"),
        ("datatype", 4, "uint32", "one"),
        ("is_historical", 5, "bool", "one"),
        ("is_transient", 6, "bool", "one"),
        ("is_null", 7, "bool", "one"),
        ("properties", 9, "PropertySet", "one"),
        ("int_value", 10, "uint32", "value"),
        ("long_value", 11, "uint64", "value"),
        ("float_value", 12, "float", "value"),
        ("double_value", 13, "double", "value"),
        ("boolean_value", 14, "bool", "value"),
        ("string_value", 15, "string", "value"),
        ("bytes_value", 16, "bytes", "value"),
    ),
    "PropertySet": (
        ("keys", 1, "string", "many"),
        ("values", 2, "PropertyValue", "many"),
    ),
    "PropertyValue": (
        ("type", 1, "uint32", "one"),
        ("is_null", 2, "bool", "one"),
        ("int_value", 3, "uint32", "value"),
        ("long_value", 4, "uint64", "value"),
        ("float_value", 5, "float", "value"),
        ("double_value", 6, "double", "value"),
        ("boolean_value", 7, "bool", "value"),
        ("string_value", 8, "string", "value"),
    ),
}


def _described() -> FileDescriptorProto:
    file = FileDescriptorProto(name="daq/sparkplug.proto", package=_PACKAGE, syntax="proto2")
    for message, fields in _FIELDS.items():
        described = file.message_type.add(name=message)
        if any(how == "value" for *_, how in fields):
            described.oneof_decl.add(name="value")
        for name, number, kind, how in fields:
            field = described.field.add(name=name, number=number)
            field.label = FieldDescriptorProto.LABEL_REPEATED if how == "many" else FieldDescriptorProto.LABEL_OPTIONAL
            if kind in _TYPES:
                field.type = _TYPES[kind]
            else:
                field.type, field.type_name = FieldDescriptorProto.TYPE_MESSAGE, f".{_PACKAGE}.{kind}"
            if how == "value":
                field.oneof_index = 0
    return file


def _payload_class() -> Any:
    # A separate pool, because another package in the process may describe a payload with the same names.
    pool = DescriptorPool()
    pool.AddSerializedFile(_described().SerializeToString())
    return GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


Payload: Final = _payload_class()
"""The class of a payload; its attributes are the fields of `_FIELDS`."""
