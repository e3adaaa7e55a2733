"""vibe: the health of cycloidal speed reducers, read from vibration.

Data run left to right; every room imports ``core`` and no room imports another. Only ``flow`` knows them all.

    file   ──ingest──────► Capture, Drive
    Drive  ──kinematics──► ToneTable          (never sees a sample)
    Capture──spectra─────► Evidence           (never knows what a drive is)
    Tones + Evidence ──diagnosis──► Findings  (never touches a sample array)
    Findings + levels ──health────► Health    (state, urgency, advice)
    Health ──report──────► JSON, HTML, PDF    (decides nothing)
"""

__version__ = "0.1.0"
