"""Files to values: captures, drives, recipes; and the verdict on a capture's quality."""
