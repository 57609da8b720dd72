"""The store protocol in Python, without I/O: the twin of the C runtime.

May know a Plan and the codec. Must not know a bus, a clock or a simulated part.
"""

from paramstore.verify.twin.requests import Answer, AskSupply, Request, Steps, Transfer, Wait
from paramstore.verify.twin.store import Store

__all__ = ["Answer", "AskSupply", "Request", "Steps", "Store", "Transfer", "Wait"]
