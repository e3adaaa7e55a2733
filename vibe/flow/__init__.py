"""The order of steps: the one room that knows all others. One file per thing that users ask for; none computes."""
