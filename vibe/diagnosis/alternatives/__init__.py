"""What else could have made a finding: each a pure step on findings, after the rules."""
