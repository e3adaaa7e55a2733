"""Drive -> body speeds -> tones, exactly. Never sees a sample.

``bodies.body_speeds`` and ``tones.tone_table`` say what a drive does, ``observe.visibility`` what a capture can show of
it, ``plan.capture_plan`` how to capture it.
"""
