"""The certificate of a new drive, and the check that a copy is unchanged."""
