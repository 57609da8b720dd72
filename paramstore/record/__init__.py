"""Bytes of labels and records, both ways; the only use of construct.

May know a Plan and FORMAT.md. Must not know files, dumps or the bus.
"""

from paramstore.record.body import decode_body, default_payload, element_bytes, encode_body
from paramstore.record.label import Label, build_label, label_places, read_label
from paramstore.record.record import Record, RecordState, build_record, read_record
from paramstore.record.shapes import CodecError

__all__ = [
    "CodecError",
    "Label",
    "Record",
    "RecordState",
    "build_label",
    "build_record",
    "decode_body",
    "default_payload",
    "element_bytes",
    "encode_body",
    "label_places",
    "read_label",
    "read_record",
]
