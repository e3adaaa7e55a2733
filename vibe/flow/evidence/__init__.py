"""Evidence on demand: spectra, waveforms, turns, cascades, series, tones and sound of what a store keeps.

Every function takes an open store and returns a frozen value; nothing is judged and nothing is written. What was
worked out is kept in ``stored_signal.CACHE``, by the capture's hash and all that was asked.

Raises, all of them: CallError where the store holds no such capture or point, or what was asked cannot be shown, in a
sentence for whoever asked; CaptureError where a capture's file is lost or damaged.
"""
