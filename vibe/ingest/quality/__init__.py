"""The verdict on a capture's quality, channel by channel."""
