"""The speed and the angle law: from pulses, else from the vibration itself."""
