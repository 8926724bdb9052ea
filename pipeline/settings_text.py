"""The audit.toml that a new workspace starts with. A test holds that it says the same as leaving all out."""

NEW_AUDIT_TOML = """\
# Settings of this workspace. Every line shows what holds if you leave it out; lines that start with # and a
# key are examples. A misspelt key stops the run with its line, so nothing is ignored in silence.
# Days are written 2026-10-31, texts in quotes, shares as fractions (0.02 is 2 %).

contract = 1                    # the version of this file's language; keep it

# ---- what is counted, and how it is shown

period = "month"                # length of an edition: "month", "quarter" or "year"
count_from = ""                 # first day of operation that counts; empty: from the beginning
interval = "wilson"             # the interval around a rate; "clopper-pearson" is wider and never too narrow
confidence = 0.95
age_bands = [25, 35, 45, 55, 65]    # each number starts a band: 0-24, 25-34, …, 65+. Set them before you look
strata = ["site", "surgeon", "fixation", "age_band"]    # each gets its own rows in the rates

# How long after the operation one looks. A visit up to `early` days before the end still completes the
# window; it is judged only `grace` days after its end, so that the well have had time for their visit.
windows = [
  { days = 30, early = 0, grace = 30 },
  { days = 90, early = 14, grace = 60 },
  { days = 365, early = 60, grace = 90 },
  { days = 730, early = 90, grace = 120 },
]

# Surgeons get few, stated outcomes. Names come from the catalogue: `limbaudit catalogue` lists them.
surgeon_tables = { categories = ["any_complication", "revision"], windows = [90, 365] }

worthwhile_difference = 0.10    # smallest difference between two operations that would change what you do
severity_scale = "orthopaedic"  # or "clavien_dindo"
keep_months = 36                # `limbaudit prune` takes away drafts and caches that are older

# ---- hospitals: without any, every folder under received/ is one. With some, only these are used.

# [sites.harbour]               # the name of the folder
# name = "Harbour Hospital"     # as printed
# sends = "everything"          # each export holds all records; "changes": only new and changed ones
# due_day = 2                   # day of the next month on which its export should be here
# required = ["operations", "events", "followups"]    # without these its windows do not close
# dates = "exact"               # "shifted" or "day_numbers": then say how far its records reach:
# data_until = 2026-10-31

# ---- who is compared, and with whom

# [groups.young_athletes]       # a kind of patient, to compare like with like
# age_from = 14
# age_below = 30
# isolated = true               # nothing else done at the same sitting
# where = { sport = ["pivoting", "contact"] }    # any column of the operations

# [primary]                     # the one question asked beforehand. Everything else is described, not tested
# a = "ligament_reconstruction"
# b = "tubercle_transfer"
# category = "any_complication"
# window = 365
# among = "young_athletes"      # optional, as are level, by and within

# [[compare]]                   # a further comparison, as many as you like
# by = "fixation"               # "procedure", or a column of the operations
# within = "clavicle_plate"
# a = "plate_superior"
# b = "plate_anterior"

# ---- evidence, limits, rules of the house

[counting]
counted = ["definite", "probable"]    # evidence that counts before review; [] demands review of everything

[tolerance]
quarantined_share = 0.02        # more rows held back than this: exit code 1
observed_share = 0.8            # fewer patients followed than this: the page warns
volume_drop = 0.30              # these three keep an export out until somebody has looked:
vanished_share = 0.01           # so many fewer rows, so many records gone,
control_total = 0.02            # so far from the totals the sender stated

[identity]
shared = []                     # "patient", "surgeon": the same id at two hospitals is the same person

[access]
group = ""                      # group of users who may read the outputs; empty: only you

[nonoperative_weeks_expected]   # weeks of other treatment you expect before an elective operation
# biceps_tenodesis = 12

[notices]
webhook = ""                    # where the nightly check reports
mail_to = ""

[disclosure]
smallest_cell = 5               # in what leaves the department, smaller counts are hidden

[schedule]                      # minute, hour, day of month, month, day of week
nightly = "15 2 * * *"
monthly = "0 6 3 * *"
timezone = "Europe/Dublin"
"""
