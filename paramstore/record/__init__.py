"""Bytes of labels and records, both ways: parse, build, and write the next record.

The one door to these bytes, and the only use of construct. May know a Plan and FORMAT.md. Must not
know files, dumps or the bus.
"""

from paramstore.record.body import (
    decode_body,
    default_payload,
    element_bytes,
    encode_body,
    with_values,
)
from paramstore.record.label import (
    Label,
    build_label,
    erasing_label,
    label_places,
    labelled_image,
    lay_labels,
    parse_label,
    read_label,
    release_bytes,
)
from paramstore.record.record import (
    Record,
    RecordParts,
    RecordState,
    build_record,
    crc_holds,
    crc_start,
    kept_spans,
    lay_records,
    newest_of,
    next_body,
    next_record,
    read_record,
    record_crc,
    sequence_of,
    split_record,
)
from paramstore.record.shapes import CodecError

__all__ = [
    "CodecError",
    "Label",
    "Record",
    "RecordParts",
    "RecordState",
    "build_label",
    "build_record",
    "crc_holds",
    "crc_start",
    "decode_body",
    "default_payload",
    "element_bytes",
    "encode_body",
    "erasing_label",
    "kept_spans",
    "label_places",
    "labelled_image",
    "lay_labels",
    "lay_records",
    "newest_of",
    "next_body",
    "next_record",
    "parse_label",
    "read_label",
    "read_record",
    "record_crc",
    "release_bytes",
    "sequence_of",
    "split_record",
    "with_values",
]
