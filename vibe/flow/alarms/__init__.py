"""The queue of alarms of a store."""
