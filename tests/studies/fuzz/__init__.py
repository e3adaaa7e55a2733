"""Bad input for everything that is parsed: seeded mutations, and guided fuzzing where ``atheris`` is installed."""
