"""The demo fleet: an invented milk-collection haulier, simulated with a known truth and written as sheets."""

from pipelines.demo.write import write_demo

__all__ = ["write_demo"]
