"""The words of a byte view that are no values of parameters."""

from paramstore.core.format import release_number
from paramstore.report.things import frame_value


def test_release_of_a_series() -> None:
    """The two bytes of a label hold release and series; they are told apart."""
    later = release_number(3, 1).to_bytes(2, "little")
    assert "3, series 1" == frame_value("release", later)
    assert "3" == frame_value("release", bytes([3, 0]))


def test_numbers_of_a_record() -> None:
    """A sequence number is read as a whole; bytes that are no number have no words."""
    assert "258" == frame_value("sequence number", bytes([2, 1, 0, 0]))
    assert "" == frame_value("magic", b"PSL\xd5")
