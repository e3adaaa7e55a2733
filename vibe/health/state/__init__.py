"""One state for one drive: zones, findings, the rule that set it, what to do by when."""
