"""The store protocol in Python, without I/O: the twin of the C runtime.

May know a Plan and record bytes. Must not know a bus, a clock or a simulated part.
"""

from paramstore.verify.twin.store import Store
from paramstore.verify.twin.wire import Answer, AskSupply, Request, Steps, Transfer, Wait

__all__ = ["Answer", "AskSupply", "Request", "Steps", "Store", "Transfer", "Wait"]
