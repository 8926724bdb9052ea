"""Tables a run writes hold the columns that were agreed, in that order. Lists typed by hand."""

from __future__ import annotations

import pytest

from schemas.published import ACCOUNTS, AUDIT_TABLES, NOT_FILLED, PUBLISHED

RATES = (
    "stratum stratum_value procedure category level window_days cases followed lost assessed events deaths "
    "awaiting rate ci_low ci_high method rate_followed rf_ci_low rf_ci_high worst_case rate_with_awaiting "
    "incidence incidence_low incidence_high person_years events_py rate_per_100py py_ci_low py_ci_high note"
)
FINDING = "site source_file source_line table record_id column rule"

AGREED = {
    "ledger": "site receipt source_file sheet table sha256 rows_read accepted quarantined superseded duplicate "
    "withdrawn non_data not_selected refused removed reason",
    "quarantine": FINDING + " value message new",
    "repairs": FINDING + " before after",
    "unattributed": "site table record_id why source_file source_line",
    "quality": "site table column dimension rule rows failing share tolerance verdict",
    "quality_trend": "site table column rule receipt rows failing share expected limit_low limit_high outside",
    "quality_volume": "site table receipt rows median ratio used",
    "quality_lag": "site table receipt rows median_days days_90 late longest_days",
    "cases": "case_id site operation_id patient side procedure group performed_on surgeon fixation age_band sex "
    "isolated known_until contact_until records_until died source_file source_line concomitant returns",
    "complications": "case_id category level day strength status evidence severity_grade parent last_operation "
    "known_on known_late",
    "letters": "case_id table record_id day category assertion side why_not source_file source_line",
    "evidence": "case_id category table record_id day kind strength use levels source_file source_line",
    "second_cases": "part stratum stratum_value procedure category level window_days cases events quiet without lost",
    "outward_basis": "part stratum stratum_value procedure category level window_days figures_of cases lost events "
    "patients_cases patients_lost patients_events patients_quiet patients_without hides_cases hides_lost hides_events",
    "records": "case_id site patient table record_id date day role side place what why source_file source_line",
    "decisions_used": "kind case_id category site table record_id patient says asked reviewer decided_on occurred_on "
    "severity_grade primary_reason standing rule source_file source_line",
    "review": "case_id category why would_move evidence",
    "questions": "case_id category form why would_move evidence since stated weight surgeons site table record_id",
    "sampling_frame": "case_id draw surgeons evidence",
    "for_the_sender": "source_file source_line column rule what_to_do",
    "rates": RATES,
    "cohorts": "period " + RATES + " closed",
    "activity": "site procedure operations cases complications_happened complications_learned awaiting decisions "
    "windows_closed",
    "comparisons": "among by arm_a arm_b category level window_days analysis isolated_only stratum_value events_a "
    "cases_a events_b cases_b risk_difference rd_ci_low rd_ci_high risk_ratio rr_ci_low rr_ci_high odds_ratio "
    "or_ci_low or_ci_high p_fisher p_exact p_method adjusted_for adj_risk_difference adj_rd_low adj_rd_high "
    "adj_risk_ratio adj_rr_low adj_rr_high informative_a informative_b homogeneity_p power detectable_difference "
    "primary verdict note rate_a ra_ci_low ra_ci_high rate_b rb_ci_low rb_ci_high",
    "baseline": "arm_a arm_b characteristic value n_a n_b missing_a missing_b share_a share_b median_a median_b "
    "standardised_difference",
    "surgeon_outcomes": "surgeon category window_days cases followed_share assessed_share events expected ratio "
    "ratio_ci_low ratio_ci_high steadied_ratio steadied_low steadied_high limit_95_low limit_95_high "
    "limit_998_low limit_998_high against_limits q_value note in_words without_own_cases",
    "risk_models": "category window_days method why cases events coefficients lacking concordance concordance_low "
    "concordance_high calibration_intercept calibration_slope surgeons spread spread_drawn_in variance_between",
    "standardised_rates": "procedure category window_days cases events rate standardised_rate ci_low ci_high covered note",
    "courses_compared": "among arm_a arm_b category until_day cases_a events_a deaths_a cases_b events_b deaths_b median_a "
    "median_a_low median_a_high median_b median_b_low median_b_high expected_a expected_b log_rank p_log_rank "
    "log_rank_within_age p_within_age primary note",
    "event_free": "procedure category day at_risk events competing censored event_free ci_low ci_high "
    "cumulative_incidence cif_ci_low cif_ci_high",
    "monitoring": "procedure site category window_days sequence period outcome expected score limit asks_for_check "
    "observed_minus_expected maturing",
    "charts": "procedure site category window_days cases events expected limit run_length run_length_if_doubled checks "
    "since_last_event chance_of_so_long false_alarms_a_year false_alarms_of_all note",
    "severity": "procedure category grade cases",
    "revisions": "first_operation to_operation reason planned count median_days",
    "volumes": "period procedure age_band site cases",
    "scores": "procedure measure before_n before_mean after_n after_mean paired_n change ci_low ci_high",
    "nonoperative_care": "procedure elective recorded expected_weeks reached share ci_low ci_high",
    "benefit_and_harm": "among by arm_a arm_b line kind outcome detail from_day to_day counted_of figure events_a n_a "
    "unknown_a events_b n_b unknown_b estimate_a a_ci_low a_ci_high estimate_b b_ci_low b_ci_high difference diff_ci_low "
    "diff_ci_high unit method better primary verdict note",
    "published_figures": "category events cases window_days criterion source rate ci_low ci_high lowest highest",
    "agreement": "category pairs both_yes both_no discordant raw positive negative kappa kappa_ci_low "
    "kappa_ci_high pabak",
    "missed_in_letters": "site cases read missed undecided share ci_low ci_high note",
    "flow": "site procedure step unit before added removed after reason",
    "changes": "case_id field before after because file line",
    "changed_figures": "procedure category level window_days figure before after because change came went",
}

NOT_YET = ""


@pytest.mark.parametrize("name", AGREED)
def test_columns_are_those_agreed(name: str) -> None:
    assert PUBLISHED[name].names == tuple(AGREED[name].split())


def test_return_to_sport_tells_shares_of_asked_and_of_all_with_intervals() -> None:
    names = PUBLISHED["return_to_sport"].names
    assert names[:7] == (
        "procedure", "among", "sport_level", "cases", "asked", "any_return", "same_or_higher",
    )  # fmt: skip
    assert names[-1] == "median_days"
    for part in ("any_return", "same_or_higher"):
        for of in ("asked", "all"):
            figure = f"{part}_share_of_{of}"
            assert {figure, f"{figure}_low", f"{figure}_high"} <= set(names)


def test_every_agreed_table_is_described_and_no_other() -> None:
    assert set(PUBLISHED) == {*AGREED, "return_to_sport"}
    assert len(PUBLISHED) == len(ACCOUNTS) + len(AUDIT_TABLES)


def test_tables_not_written_yet_say_so() -> None:
    assert set(NOT_FILLED) == set(NOT_YET.split())


def test_fates_of_the_ledger_add_up_to_the_rows_read() -> None:
    """The accounting identity names exactly the counts between `rows_read` and `reason`."""
    names = PUBLISHED["ledger"].names
    fates = names[names.index("rows_read") + 1 : names.index("reason")]
    assert fates == (
        "accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused",
        "removed",
    )  # fmt: skip


def test_what_goes_to_the_sender_holds_neither_values_nor_ids() -> None:
    table = PUBLISHED["for_the_sender"]
    assert not {"value", "before", "after", "message"} & set(table.names)
    assert [column.name for column in table.columns if column.kind == "id"] == []


def test_the_case_list_holds_no_patient_id() -> None:
    assert PUBLISHED["cases"]["patient"].kind == "integer"
    assert "patient_id" not in PUBLISHED["cases"].names


@pytest.mark.parametrize("table", PUBLISHED.values(), ids=lambda table: table.name)
def test_every_interval_has_both_ends_side_by_side(table) -> None:
    ends = [column for column in table.columns if column.display == "interval"]
    assert len(ends) % 2 == 0
    for low, high in zip(ends[::2], ends[1::2], strict=True):
        assert low.name.endswith("low")
        assert high.name == low.name.removesuffix("low") + "high"
        assert (low.low, low.high, low.unit) == (high.low, high.high, high.unit)
