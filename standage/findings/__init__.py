"""What a posterior says about a stand."""

from standage.findings.findings import Findings

__all__ = ["Findings"]
