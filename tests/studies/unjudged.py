"""Numbers that the judgement does not hang on, each with the reason: the mutation study does not move them.

A key is a file and a name, as the study prints them. ``test_mutants.py`` holds that each is still there.
"""

from __future__ import annotations

_PORTIONS = "arithmetic in portions, so that what it needs stays in the cache: the results are the same"
_MEMORY = "bounds memory; what is within is not changed"
_LENGTH = "which quick length a transform is padded to: the spectrum is the same"
_SEARCH = "a finer or longer search ends at the same place, since what is found is refined then"
_WORDS = "how much of a name a sentence quotes"
_EXACT = "band-limited or polynomial, so that more instants give the same"

_BREADTH = "breadth of a search: half or twice as broad, the same best is found"
_JOBS = "how work is shared out among processes: the results are the same"
_PICTURE = "points or marks of a picture"
_PLACES = "places enough to know a row again: half or twice as many do it as well"
_LOOK = "how many samples are looked at, for the sake of time: half or twice as many say the same"
_FITS = "values that a fit is made from: half or twice as many give the same"
_GIVEN = "bounds the work that somebody else's file can ask for; what is within is not changed"
_MIXES = "mixes bits: any odd number that is as well mixed parts the same rows"
_MEDIAN = "bins of a median: half or twice as many show the same noise"
_SETTLES = "steps of a descent that settles before"

UNJUDGED: dict[str, str] = {
    "vibe/flow/commissioning/acceptance.py MOST_PLANTED": _JOBS,
    "vibe/spectra/rivals/rival_drives.py BEST_PAIRS, BEST_SPEEDS": _BREADTH,
    "vibe/spectra/rivals/rival_drives.py FINE": _BREADTH,
    "vibe/spectra/rivals/rival_drives.py OWN_SPEEDS": _BREADTH,
    "vibe/spectra/envelope/impact_start.py SUBDIVISION": _SEARCH,
    "vibe/flow/alarms/kept_looks.py LAYER": "names the form of what is kept, and is no size",
    "vibe/flow/identify/answer.py LISTED": "how many rows of a table are shown",
    "vibe/flow/route/capture_check.py FEWEST_PER_PROCESS": _JOBS,
    "vibe/flow/route/round.py FEWEST_PER_PROCESS": _JOBS,
    "vibe/history/population/comparison.py QUANTILES": _PICTURE,
    "vibe/history/population/comparison.py _STRIP": _PICTURE,
    "vibe/history/stored_traces.py FORM": "names the form of what is kept, and is no size",
    "vibe/health/acceptance/several_points.py HALVINGS, STEPS, REACH": "an integral to five digits, and one to more",
    "vibe/report/certificate/accuracy.py FEW": _PICTURE,
    "vibe/history/statistics/reliability.py SHAPES": _SEARCH,
    "vibe/history/statistics/reliability.py _WIDEST": _SEARCH,
    "vibe/history/statistics/slope.py EXACT_UP_TO": "from there on the normal law gives the same",
    "vibe/spectra/attribution/line_attribution.py NOBODY": "the number of no owner, and no size",
    "vibe/spectra/basic/common_angle.py IN_VAIN": _SETTLES,
    "vibe/spectra/basic/common_angle.py ROUNDS": _SETTLES,
    "vibe/spectra/basic/common_angle.py WORTH": _SETTLES,
    "vibe/spectra/envelope/synchronous_average.py WEIGHTING_ROUNDS": _SETTLES,
    "vibe/spectra/speed/phase_refinement.py ROUNDS": _SETTLES,
    "vibe/spectra/speed/swept_lines.py TINY": "keeps zero from a division; next to any likelihood it is zero",
    "vibe/spectra/speed/line_likelihood.py LARGEST_SUMMED": "beyond it what is left out changes nothing",
    "vibe/spectra/speed/phase_refinement.py LEAST_OFF": _LENGTH,
    "vibe/spectra/speed/ridge_tracking.py AT_ONCE": _PORTIONS,
    "vibe/spectra/presence/strays.py EVERYWHERE": "a key of a table, no size",
    "vibe/spectra/presence/strays.py HIGHEST": "lies far beyond all values that are compared",
    "vibe/history/decision_joining.py _MOST_SAID": _WORDS,
    "vibe/spectra/basic/common_angle.py GRID": _EXACT,
    "vibe/spectra/basic/common_angle.py MOST_STEPS": _SEARCH,
    "vibe/spectra/basic/common_angle.py STEP_BINS": _SEARCH,
    "vibe/spectra/basic/fft.py LONG_SAMPLES": _LENGTH,
    "vibe/spectra/basic/fft.py QUICK_FACTOR": _LENGTH,
    "vibe/spectra/basic/line_fit.py GRID": _EXACT,
    "vibe/spectra/basic/lines.py KNOTS_AT_ONCE": _PORTIONS,
    "vibe/spectra/basic/lines.py KNOT_SAMPLES": "twice as many or half change samples by 1e-4 of their amplitude",
    "vibe/spectra/envelope/impact_start.py SHARP": "within the band's own blur: shapes are alike to 3 per mille",
    "vibe/kinematics/families/cycloid.py ROUND": _EXACT,
    "vibe/spectra/envelope/bands.py BANDS_AT_ONCE": _PORTIONS,
    "vibe/spectra/evidence/comb.py MOST_MASKS": _MEMORY,
    "vibe/spectra/evidence/comb.py PLACES_AT_ONCE, SUMS_AT_ONCE": _PORTIONS,
    "vibe/spectra/evidence/comb.py LONG_ROW": "which of two ways finds the largest of a row: it is the same",
    "vibe/spectra/evidence/decoy_null.py FURTHER": "from six times on, ``MOST_DECOYS`` bounds how many are looked at",
    "vibe/spectra/evidence/line_significance.py _LOW, _HIGH": "beyond them are the lowest and the highest step",
    "vibe/spectra/evidence/line_significance.py BINS_AT_ONCE": _PORTIONS,
    "vibe/spectra/evidence/line_significance.py MOST_BETWEEN": _PORTIONS,
    "vibe/spectra/evidence/line_significance.py MOST_KEPT": _MEMORY,
    "vibe/spectra/presence/likelihood.py MOST_AT_ONCE": _PORTIONS,
    "vibe/diagnosis/case.py Case.resolution": "stands in where no spectrum was made: nothing is read at it",
    "vibe/ingest/quality/recording/noise_print.py BLOCK": _PORTIONS,
    "vibe/history/population/records.py MOST_BYTES": _MEMORY,
    "vibe/history/population/records.py MOST_FIGURES": _MEMORY,
    "vibe/ingest/quality/checks/cross_channel.py _BLOCK": _PORTIONS,
    "vibe/ingest/quality/prepared_signal.py _BLOCK": _PORTIONS,
    "vibe/ingest/quality/prepared_signal.py _AT_ONCE": _PORTIONS,
    "vibe/ingest/quality/prepared_signal.py _FEW": "below and above it values come out in the same order",
    "vibe/ingest/quality/prepared_signal.py _FEW_VALUES": _LOOK,
    "vibe/ingest/quality/recording/missing_codes.py _MOST": _LOOK,
    "vibe/ingest/quality/recording/thinned.py _LOOKED_AT": _LOOK,
    "vibe/ingest/quality/recording/packed.py _LOOKED_AT": _LOOK,
    "vibe/ingest/quality/recording/packed.py _PATCHES_AT": _LOOK,
    "vibe/ingest/quality/recording/repeats.py _MIX": _MIXES,
    "vibe/ingest/quality/recording/quantity.py _BANDS": _BREADTH,
    "vibe/ingest/quality/recording/gain_step.py _BANDS_FROM_HZ": "the lowest bands hold too few bins and are left out",
    "vibe/ingest/quality/recording/same_recording.py BLOCK": _PORTIONS,
    "vibe/ingest/quality/recording/same_recording.py LONGEST_S": _LOOK,
    "vibe/ingest/quality/recording/noise_print.py LONGEST_S": _LOOK,
    "vibe/ingest/quality/recording/noise_print.py FINER": _SEARCH,
    "vibe/ingest/quality/recording/noise_print.py WITHIN": _SEARCH,
    "vibe/ingest/quality/recording/noise_print.py REMEMBERED": _FITS,
    "vibe/ingest/quality/recording/noise_print.py SOUGHT_FROM_HZ": _SEARCH,
    "vibe/ingest/quality/recording/same_recording.py ORDER": _FITS,
    "vibe/ingest/quality/recording/same_recording.py FITTED": _FITS,
    "vibe/ingest/quality/checks/radio.py _TURN": _SEARCH,
    "vibe/ingest/quality/recording/splice.py _NEAR": _MEDIAN,
    "vibe/ingest/quality/recording/splice.py _FLOOR_BINS": _MEDIAN,
    "vibe/ingest/quality/recording/splice.py _HOPS": "how finely a jump is placed: it is seen in coarser steps, too",
    "vibe/ingest/quality/recording/splice.py _RATE_HZ": "bounds time: lines that fold over at half of it jump as well",
    "vibe/ingest/quality/thresholds.py Thresholds.settle_blocks": _FITS,
    "vibe/ingest/quality/checks/drift.py _SURELY_LESS": "saves time: what is asked after it decides",
    "vibe/ingest/quality/checks/drift.py _LONG_S, _SHORT_S": "a floor is the same in segments half or twice as long",
    "vibe/ingest/quality/checks/pulses.py _PLACES": _SEARCH,
    "vibe/ingest/quality/checks/pulses.py _MOST_LOOKED_AT, _FIRST_LOOKS": _LOOK,
    "vibe/ingest/route/completeness.py MOST_NAMED": _WORDS,
    "vibe/ingest/route/field_rules.py MOST_NAMED": _WORDS,
    "vibe/ingest/route/duplicates.py _BLOCKS": _PLACES,
    "vibe/ingest/route/name_pattern.py LONGEST_PATH": _GIVEN,
    "vibe/ingest/tables/exceedance_terms.py LONGEST_CELL": _GIVEN,
    "vibe/ingest/tables/readings_file.py MOST_SAID": _WORDS,
    "vibe/ingest/tables/table_text.py MOST_BYTES": _GIVEN,
    "vibe/ingest/tables/table_text.py ROWS_SHOWN": "how many rows of a table are shown",
}
