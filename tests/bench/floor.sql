-- The same checks by DuckDB, as far as SQL can: the floor that `limbaudit check` is measured against.
--
-- Reads four tables of every site in contract form as text, types them, checks cells, rows, versions and links, ties
-- records to the operation they name, and counts them by procedure. It writes nothing and says of no row where it stands, which `check` does as well.
-- Variables: `workspace` (folder), `sides` (path of icd10cm_sides.csv), `cut_on` (day). Columns beginning with q_ hold
-- a row back, w_ warn, r_ say that a cell was read another way; then column, two underscores, rule.

CREATE OR REPLACE TEMP MACRO sent(cell) AS nullif(trim(cell), '');
CREATE OR REPLACE TEMP MACRO says_nothing(cell) AS regexp_full_match(
  cell, '(?i)\s*(?:n/?a|n\.a\.?|null|none|nil|nan|nk|unk|unknown|missing|-{1,3}|\?{1,2}|\.|tbc|tba|#n/a|#null!|#value!|not known|not recorded|not available|\(blank\)|<na>)\s*'
);
CREATE OR REPLACE TEMP MACRO known(cell) AS CASE WHEN NOT says_nothing(cell) THEN sent(cell) END;
CREATE OR REPLACE TEMP MACRO number(text) AS try_cast(text AS DOUBLE);
CREATE OR REPLACE TEMP MACRO side_word(cell) AS CASE lower(trim(cell))
  WHEN 'l' THEN 'left' WHEN 'lt' THEN 'left' WHEN 'r' THEN 'right' WHEN 'rt' THEN 'right' WHEN 'both' THEN 'bilateral'
  ELSE lower(sent(cell)) END;
CREATE OR REPLACE TEMP MACRO is_side(word) AS word IN ('left', 'right', 'bilateral', 'none');
CREATE OR REPLACE TEMP MACRO is_no_patient(id) AS regexp_matches(
  id, '(?i)^(?:0+|x{3,}|9{6,}|(?:z+)?(?:test|dummy|placeholder|sample|example)[^a-z].*)$'
);
CREATE OR REPLACE TEMP MACRO is_place(word) AS word IN (
  'shoulder', 'glenohumeral', 'acromioclavicular', 'clavicle', 'elbow', 'knee', 'patellofemoral', 'humerus', 'scapula',
  'glenoid', 'coracoid', 'radius', 'ulna', 'femur', 'tibia', 'patella'
);
CREATE OR REPLACE TEMP MACRO names_a_person(note) AS regexp_matches(
  note,
  '[\w.+%-]+@[\w-]+(?:\.[\w-]+)+|\b(?:Mr|Mrs|Ms|Miss|Dr|Prof)(?:\.\s*|\s+)[A-Z][\w''-]+|\(?0\d{1,4}\)?[ ./-]{0,2}\d{3,4}(?:[ .-]?\d{2,4}){1,3}\b|\d{6,}'
);
CREATE OR REPLACE TEMP MACRO yes(condition) AS coalesce(condition, false);
CREATE OR REPLACE TEMP MACRO received(file) AS CAST(regexp_extract(file, '/(\d{4}-\d{2}-\d{2})/[^/]*$', 1) AS DATE);
CREATE OR REPLACE TEMP MACRO sender(file) AS regexp_extract(file, '/([^/]+)/[^/]+/[^/]*$', 1);
CREATE OR REPLACE TEMP MACRO files(name) AS getvariable('workspace') || '/received/*/*/' || name || '.csv';

-- ---------------------------------------------------------------- sides that diagnosis codes name

CREATE OR REPLACE TEMP TABLE code_sides AS
WITH codes AS (
  SELECT DISTINCT diagnosis_code AS code FROM read_csv(files('operations'), all_varchar = true)
  UNION SELECT DISTINCT code FROM read_csv(files('events'), all_varchar = true)
), starts AS (
  SELECT starts_with, side FROM read_csv(getvariable('sides'), all_varchar = true)
), lengths AS (
  SELECT code, left(upper(replace(code, '.', '')), unnest([4, 5, 6])) AS starts_with FROM codes
)
SELECT code AS sided_code, arg_min(side, length(starts_with)) AS code_side FROM lengths JOIN starts USING (starts_with) GROUP BY code;

-- ---------------------------------------------------------------- cells, their types, and rows

CREATE OR REPLACE TEMP TABLE operations AS
WITH cells AS (
  SELECT sender(filename) AS site, received(filename) AS receipt, known(operation_id) AS id, known(patient_id) AS patient_id,
    known(performed_on) AS performed_on, known(procedure_code) AS procedure_code, side AS side_sent,
    side_word(side) AS side, known(surgeon_id) AS surgeon_id, known(age_years) AS age_years, lower(trim(sex)) AS sex_sent,
    CASE WHEN lower(trim(sex)) = 'unknown' THEN 'unknown' ELSE lower(known(sex)) END AS sex, known(asa_class) AS asa_class,
    known(fixation) AS fixation, lower(known(smoker)) AS smoker, lower(known(diabetes)) AS diabetes, known(bmi) AS bmi,
    lower(sent(sport)) AS sport, known(diagnosis_code) AS diagnosis_code, known(onset_on) AS onset_on,
    known(recorded_at) AS recorded_at
  FROM read_csv(files('operations'), all_varchar = true, filename = true)
), typed AS (
  SELECT *, try_cast(performed_on AS DATE) AS day, number(age_years) AS age, number(asa_class) AS asa,
    number(bmi) AS mass, try_cast(onset_on AS DATE) AS onset, try_cast(recorded_at AS TIMESTAMP) AS moment
  FROM cells LEFT JOIN code_sides ON sided_code = diagnosis_code
)
SELECT site, id, patient_id, day, procedure_code, side, surgeon_id, least(age, 90) AS age, sex, asa, fixation, smoker, diabetes,
  mass, sport, diagnosis_code, onset, moment, receipt,
  id IS NULL AS q_operation_id__value_missing,
  patient_id IS NULL AS q_patient_id__value_missing,
  yes(is_no_patient(patient_id)) AS q_patient_id__placeholder_patient,
  performed_on IS NULL AS q_performed_on__value_missing,
  day IS NULL AND performed_on IS NOT NULL AS q_performed_on__value_unparsable,
  yes(day > receipt) AS q_performed_on__date_after_receipt,
  procedure_code IS NULL AS q_procedure_code__value_missing,
  side IS NULL AS q_side__value_missing,
  yes(NOT is_side(side)) AS q_side__value_unknown_word,
  yes(side IN ('left', 'right') AND side <> code_side) AS q_side__side_against_diagnosis,
  age_years IS NULL AS q_age_years__value_missing,
  yes(age IS NULL AND age_years IS NOT NULL OR age <> floor(age)) AS q_age_years__value_unparsable,
  yes(age < 0 OR age > 110) AS q_age_years__value_out_of_range,
  sex IS NULL AS q_sex__value_missing,
  yes(sex NOT IN ('female', 'male', 'other', 'unknown')) AS q_sex__value_unknown_word,
  asa IS NULL AND asa_class IS NOT NULL AS q_asa_class__value_unparsable,
  yes(asa NOT BETWEEN 1 AND 5) AS q_asa_class__value_out_of_range,
  yes(smoker NOT IN ('yes', 'no')) AS q_smoker__value_unknown_word,
  yes(diabetes NOT IN ('yes', 'no')) AS q_diabetes__value_unknown_word,
  mass IS NULL AND bmi IS NOT NULL AS q_bmi__value_unparsable,
  yes(mass NOT BETWEEN 10 AND 80) AS q_bmi__value_out_of_range,
  yes(sport NOT IN ('overhead', 'pivoting', 'contact', 'endurance', 'other', 'none')) AS q_sport__value_unknown_word,
  onset IS NULL AND onset_on IS NOT NULL AS q_onset_on__value_unparsable,
  yes(onset > receipt) AS q_onset_on__date_after_receipt,
  yes(onset > day) AS q_onset_on__dates_in_wrong_order,
  moment IS NULL AND recorded_at IS NOT NULL AS q_recorded_at__value_unparsable,
  yes(moment >= receipt + INTERVAL 1 DAY) AS w_recorded_at__recorded_after_receipt,
  yes(says_nothing(sex_sent) AND sex_sent <> 'unknown') AS r_sex__value_missing_token,
  yes(side <> lower(trim(side_sent))) AS r_side__word_translated,
  yes(age > 90 AND age <= 110) AS r_age_years__age_over_89,
  (q_operation_id__value_missing OR q_patient_id__value_missing OR q_patient_id__placeholder_patient OR
    q_performed_on__value_missing OR q_performed_on__value_unparsable OR q_performed_on__date_after_receipt OR
    q_procedure_code__value_missing OR q_side__value_missing OR q_side__value_unknown_word OR
    q_side__side_against_diagnosis OR q_age_years__value_missing OR q_age_years__value_unparsable OR
    q_age_years__value_out_of_range OR q_sex__value_missing OR q_sex__value_unknown_word OR
    q_asa_class__value_unparsable OR q_asa_class__value_out_of_range OR q_smoker__value_unknown_word OR
    q_diabetes__value_unknown_word OR q_bmi__value_unparsable OR q_bmi__value_out_of_range OR
    q_sport__value_unknown_word OR q_onset_on__value_unparsable OR q_onset_on__date_after_receipt OR
    q_onset_on__dates_in_wrong_order OR q_recorded_at__value_unparsable) AS held
FROM typed;

CREATE OR REPLACE TEMP TABLE events AS
WITH cells AS (
  SELECT sender(filename) AS site, received(filename) AS receipt, known(event_id) AS id, known(patient_id) AS patient_id,
    known(occurred_on) AS occurred_on, known(operation_id) AS operation_id, known(code) AS code, side AS side_sent,
    side_word(side) AS side, lower(known(joint)) AS joint, lower(sent(energy)) AS energy,
    known(instability_level) AS instability_level, known(severity_grade) AS severity_grade,
    lower(sent(management)) AS management, lower(known(source)) AS source, sent(note) AS note,
    known(recorded_at) AS recorded_at
  FROM read_csv(files('events'), all_varchar = true, filename = true)
), typed AS (
  SELECT *, try_cast(occurred_on AS DATE) AS day, number(instability_level) AS level,
    try_cast(recorded_at AS TIMESTAMP) AS moment
  FROM cells LEFT JOIN code_sides ON sided_code = code
)
SELECT site, id, patient_id, day, operation_id, code, code_side, side, joint, energy, level, severity_grade, management, source,
  note, moment, receipt,
  id IS NULL AS q_event_id__value_missing,
  patient_id IS NULL AS q_patient_id__value_missing,
  yes(is_no_patient(patient_id)) AS q_patient_id__placeholder_patient,
  occurred_on IS NULL AS q_occurred_on__value_missing,
  day IS NULL AND occurred_on IS NOT NULL AS q_occurred_on__value_unparsable,
  yes(day > receipt) AS q_occurred_on__date_after_receipt,
  yes(NOT is_side(side)) AS q_side__value_unknown_word,
  yes(NOT is_place(joint)) AS q_joint__joint_unknown,
  yes(energy NOT IN ('none', 'low', 'high')) AS q_energy__value_unknown_word,
  level IS NULL AND instability_level IS NOT NULL AS q_instability_level__value_unparsable,
  yes(level NOT BETWEEN 1 AND 5) AS q_instability_level__value_out_of_range,
  yes(severity_grade NOT IN ('I', 'II', 'III', 'IIIa', 'IIIb', 'IV', 'IVa', 'IVb', 'V'))
    AS q_severity_grade__value_unknown_word,
  yes(management NOT IN ('none', 'observation', 'medication', 'injection', 'aspiration', 'brace', 'closed_reduction',
    'theatre', 'other')) AS q_management__value_unknown_word,
  yes(source NOT IN ('coded', 'theatre', 'letter', 'clinic', 'radiology', 'patient', 'external'))
    AS q_source__value_unknown_word,
  coalesce(code, note, instability_level, energy, severity_grade, management) IS NULL AS q_code__event_says_nothing,
  moment IS NULL AND recorded_at IS NOT NULL AS q_recorded_at__value_unparsable,
  yes(moment >= receipt + INTERVAL 1 DAY) AS w_recorded_at__recorded_after_receipt,
  yes(names_a_person(note)) AS w_note__identifier_masked,
  yes(side <> lower(trim(side_sent))) AS r_side__word_translated,
  (q_event_id__value_missing OR q_patient_id__value_missing OR q_patient_id__placeholder_patient OR
    q_occurred_on__value_missing OR q_occurred_on__value_unparsable OR q_occurred_on__date_after_receipt OR
    q_side__value_unknown_word OR q_joint__joint_unknown OR q_energy__value_unknown_word OR
    q_instability_level__value_unparsable OR q_instability_level__value_out_of_range OR
    q_severity_grade__value_unknown_word OR q_management__value_unknown_word OR q_source__value_unknown_word OR
    q_code__event_says_nothing OR q_recorded_at__value_unparsable) AS held
FROM typed;

CREATE OR REPLACE TEMP TABLE followups AS
WITH cells AS (
  SELECT sender(filename) AS site, received(filename) AS receipt, known(followup_id) AS id, known(patient_id) AS patient_id, known(seen_on) AS seen_on,
    lower(known(status)) AS status, known(operation_id) AS operation_id, side AS side_sent, side_word(side) AS side,
    lower(sent(return_to_sport)) AS return_to_sport, pain AS pain_sent, known(pain) AS pain, sent(note) AS note,
    known(recorded_at) AS recorded_at
  FROM read_csv(files('followups'), all_varchar = true, filename = true)
), typed AS (
  SELECT *, try_cast(seen_on AS DATE) AS day, number(pain) AS points, try_cast(recorded_at AS TIMESTAMP) AS moment FROM cells
)
SELECT site, id, patient_id, day, operation_id, status, side, CAST(NULL AS VARCHAR) AS code_side, return_to_sport, points, note, moment, receipt,
  id IS NULL AS q_followup_id__value_missing,
  patient_id IS NULL AS q_patient_id__value_missing,
  yes(is_no_patient(patient_id)) AS q_patient_id__placeholder_patient,
  seen_on IS NULL AS q_seen_on__value_missing,
  day IS NULL AND seen_on IS NOT NULL AS q_seen_on__value_unparsable,
  yes(day > receipt) AS q_seen_on__date_after_receipt,
  status IS NULL AS q_status__value_missing,
  yes(status NOT IN ('seen', 'remote', 'did_not_attend', 'declined', 'withdrawn', 'moved', 'died'))
    AS q_status__value_unknown_word,
  yes(NOT is_side(side)) AS q_side__value_unknown_word,
  yes(return_to_sport NOT IN ('same_or_higher', 'lower', 'none', 'not_asked', 'not_applicable'))
    AS q_return_to_sport__value_unknown_word,
  points IS NULL AND pain IS NOT NULL AS q_pain__value_unparsable,
  yes(points NOT BETWEEN 0 AND 10) AS q_pain__value_out_of_range,
  moment IS NULL AND recorded_at IS NOT NULL AS q_recorded_at__value_unparsable,
  yes(moment >= receipt + INTERVAL 1 DAY) AS w_recorded_at__recorded_after_receipt,
  yes(names_a_person(note)) AS w_note__identifier_masked,
  yes(says_nothing(pain_sent)) AS r_pain__value_missing_token,
  yes(side <> lower(trim(side_sent))) AS r_side__word_translated,
  (q_followup_id__value_missing OR q_patient_id__value_missing OR q_patient_id__placeholder_patient OR
    q_seen_on__value_missing OR q_seen_on__value_unparsable OR q_seen_on__date_after_receipt OR
    q_status__value_missing OR q_status__value_unknown_word OR q_side__value_unknown_word OR
    q_return_to_sport__value_unknown_word OR q_pain__value_unparsable OR q_pain__value_out_of_range OR
    q_recorded_at__value_unparsable) AS held
FROM typed;

CREATE OR REPLACE TEMP TABLE measurements AS
WITH cells AS (
  SELECT sender(filename) AS site, received(filename) AS receipt, known(measurement_id) AS id, known(patient_id) AS patient_id,
    known(measured_on) AS measured_on, lower(known(joint)) AS joint, lower(known(measure)) AS measure,
    lower(sent(mode)) AS mode, known(value) AS value, lower(known(unit)) AS unit, known(operation_id) AS operation_id,
    side AS side_sent, side_word(side) AS side
  FROM read_csv(files('measurements'), all_varchar = true, filename = true)
), typed AS (
  SELECT *, try_cast(measured_on AS DATE) AS day, number(value) AS reading, CAST(NULL AS TIMESTAMP) AS moment FROM cells
)
SELECT site, id, patient_id, day, joint, measure, mode, reading, unit, operation_id, side, CAST(NULL AS VARCHAR) AS code_side, moment, receipt,
  id IS NULL AS q_measurement_id__value_missing,
  patient_id IS NULL AS q_patient_id__value_missing,
  yes(is_no_patient(patient_id)) AS q_patient_id__placeholder_patient,
  measured_on IS NULL AS q_measured_on__value_missing,
  day IS NULL AND measured_on IS NOT NULL AS q_measured_on__value_unparsable,
  yes(day > receipt) AS q_measured_on__date_after_receipt,
  joint IS NULL AS q_joint__value_missing,
  yes(NOT is_place(joint)) AS q_joint__joint_unknown,
  measure IS NULL AS q_measure__value_missing,
  mode IS NULL AS q_mode__value_missing,
  yes(mode NOT IN ('passive', 'active', 'none')) AS q_mode__value_unknown_word,
  value IS NULL OR yes(reading = -1 AND measure NOT IN ('extension_deficit', 'external_rotation'))
    AS q_value__value_missing,
  reading IS NULL AND value IS NOT NULL AS q_value__value_unparsable,
  yes(reading NOT BETWEEN -200 AND 1000 OR unit = 'deg' AND reading NOT BETWEEN -30 AND 200)
    AS q_value__value_out_of_range,
  unit IS NULL AS q_unit__value_missing,
  yes(unit NOT IN ('deg', 'points')) AS q_unit__value_unknown_word,
  yes(unit = 'points' AND measure IN ('forward_flexion', 'external_rotation', 'abduction', 'flexion', 'extension_deficit'))
    AS q_unit__score_without_points,
  yes(NOT is_side(side)) AS q_side__value_unknown_word,
  yes(side <> lower(trim(side_sent))) AS r_side__word_translated,
  (q_measurement_id__value_missing OR q_patient_id__value_missing OR q_patient_id__placeholder_patient OR
    q_measured_on__value_missing OR q_measured_on__value_unparsable OR q_measured_on__date_after_receipt OR
    q_joint__value_missing OR q_joint__joint_unknown OR q_measure__value_missing OR q_mode__value_missing OR
    q_mode__value_unknown_word OR q_value__value_missing OR q_value__value_unparsable OR
    q_value__value_out_of_range OR q_unit__value_missing OR q_unit__value_unknown_word OR
    q_unit__score_without_points OR q_side__value_unknown_word) AS held
FROM typed;

-- ---------------------------------------------------------------- versions: which row of a repeated id stands

CREATE OR REPLACE TEMP MACRO repeated(records) AS TABLE
  SELECT site, id FROM query_table(records) WHERE NOT held GROUP BY ALL HAVING count(*) > 1;
CREATE OR REPLACE TEMP MACRO fates(versions) AS TABLE
  WITH blocks AS (
    SELECT *, min(content) OVER block <> max(content) OVER block AS conflicting
    FROM query_table(versions) WINDOW block AS (PARTITION BY site, id, moment, receipt)
  ), ordered AS (
    SELECT *, conflicting OR coalesce(lag(content) OVER age <> content, true) AS changed
    FROM blocks WINDOW age AS (PARTITION BY site, id, conflicting ORDER BY moment, receipt, place)
  ), runs AS (
    SELECT *, sum(changed::INT) OVER (PARTITION BY site, id, conflicting ORDER BY moment, receipt, place) AS run
    FROM ordered
  )
  SELECT place, CASE WHEN conflicting THEN 'quarantined' WHEN NOT changed THEN 'duplicate'
    WHEN run = max(run) OVER (PARTITION BY site, id, conflicting) THEN 'accepted' ELSE 'superseded' END AS fate
  FROM runs;

CREATE OR REPLACE TEMP TABLE versions_operations AS
SELECT rowid AS place, site, id, moment, receipt, hash(patient_id, day, procedure_code, side, surgeon_id, age, sex, asa,
  fixation, smoker, diabetes, mass, sport, diagnosis_code, onset, moment) AS content
FROM operations SEMI JOIN repeated('operations') USING (site, id) WHERE NOT held;
CREATE OR REPLACE TEMP TABLE versions_events AS
SELECT rowid AS place, site, id, moment, receipt, hash(patient_id, day, operation_id, code, side, joint, energy,
  level, severity_grade, management, source, note, moment) AS content
FROM events SEMI JOIN repeated('events') USING (site, id) WHERE NOT held;
CREATE OR REPLACE TEMP TABLE versions_followups AS
SELECT rowid AS place, site, id, moment, receipt, hash(patient_id, day, operation_id, status, side, return_to_sport, points,
  note, moment) AS content
FROM followups SEMI JOIN repeated('followups') USING (site, id) WHERE NOT held;
CREATE OR REPLACE TEMP TABLE versions_measurements AS
SELECT rowid AS place, site, id, moment, receipt, hash(patient_id, day, joint, measure, mode, reading, unit, operation_id,
  side) AS content
FROM measurements SEMI JOIN repeated('measurements') USING (site, id) WHERE NOT held;

CREATE OR REPLACE TEMP TABLE fate_operations AS
SELECT site, id, patient_id, day, side, procedure_code, held, CASE WHEN held THEN 'quarantined' ELSE coalesce(fate, 'accepted') END AS fate
FROM operations rows LEFT JOIN fates('versions_operations') ON place = rows.rowid;
CREATE OR REPLACE TEMP TABLE fate_events AS
SELECT site, patient_id, day, operation_id, side, code_side, held, CASE WHEN held THEN 'quarantined' ELSE coalesce(fate, 'accepted') END AS fate
FROM events rows LEFT JOIN fates('versions_events') ON place = rows.rowid;
CREATE OR REPLACE TEMP TABLE fate_followups AS
SELECT site, patient_id, day, operation_id, side, code_side, held, CASE WHEN held THEN 'quarantined' ELSE coalesce(fate, 'accepted') END AS fate
FROM followups rows LEFT JOIN fates('versions_followups') ON place = rows.rowid;
CREATE OR REPLACE TEMP TABLE fate_measurements AS
SELECT site, patient_id, day, operation_id, side, code_side, held, CASE WHEN held THEN 'quarantined' ELSE coalesce(fate, 'accepted') END AS fate
FROM measurements rows LEFT JOIN fates('versions_measurements') ON place = rows.rowid;

-- ---------------------------------------------------------------- links to operations

CREATE OR REPLACE TEMP TABLE standing AS
SELECT site, id, patient_id, day, side, procedure_code FROM fate_operations WHERE fate = 'accepted' AND day <= getvariable('cut_on');
CREATE OR REPLACE TEMP MACRO linked(records) AS TABLE
  SELECT count_if(r.operation_id IS NOT NULL AND o.id IS NULL) AS operation_id__operation_unknown,
    count_if(o.patient_id <> r.patient_id) AS operation_id__operation_of_another_patient,
    count_if(o.patient_id = r.patient_id AND o.side IN ('left', 'right')
      AND coalesce(r.side, r.code_side) IN ('left', 'right') AND coalesce(r.side, r.code_side) <> o.side)
      + coalesce(count_if(r.side IN ('left', 'right') AND r.code_side <> r.side), 0) AS side__side_conflict
  FROM query_table(records) r LEFT JOIN standing o ON o.site = r.site AND o.id = r.operation_id
  WHERE r.fate = 'accepted' AND r.day <= getvariable('cut_on');

-- ---------------------------------------------------------------- records by the procedure of their operation

CREATE OR REPLACE TEMP MACRO tied(records) AS TABLE
  SELECT o.site, o.id, o.procedure_code, r.day - o.day AS since FROM query_table(records) r JOIN standing o ON o.site = r.site AND o.id = r.operation_id
  WHERE r.fate = 'accepted' AND r.day <= getvariable('cut_on') AND o.patient_id = r.patient_id;

-- ---------------------------------------------------------------- what was found

SELECT * FROM (
  SELECT 'rule' AS what, 'operations' AS records, name, rows FROM (UNPIVOT (SELECT count_if(COLUMNS('^[qwr]_.+')) FROM operations) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'rule', 'events', name, rows FROM (UNPIVOT (SELECT count_if(COLUMNS('^[qwr]_.+')) FROM events) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'rule', 'followups', name, rows FROM (UNPIVOT (SELECT count_if(COLUMNS('^[qwr]_.+')) FROM followups) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'rule', 'measurements', name, rows FROM (UNPIVOT (SELECT count_if(COLUMNS('^[qwr]_.+')) FROM measurements) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'fate', 'operations', fate, count(*) FROM fate_operations GROUP BY ALL
  UNION ALL SELECT 'fate', 'events', fate, count(*) FROM fate_events GROUP BY ALL
  UNION ALL SELECT 'fate', 'followups', fate, count(*) FROM fate_followups GROUP BY ALL
  UNION ALL SELECT 'fate', 'measurements', fate, count(*) FROM fate_measurements GROUP BY ALL
  UNION ALL SELECT 'rule', 'operations', 'q_operation_id__record_conflict', count(*) FROM fate_operations WHERE fate = 'quarantined' AND NOT held
  UNION ALL SELECT 'rule', 'events', 'q_event_id__record_conflict', count(*) FROM fate_events WHERE fate = 'quarantined' AND NOT held
  UNION ALL SELECT 'rule', 'followups', 'q_followup_id__record_conflict', count(*) FROM fate_followups WHERE fate = 'quarantined' AND NOT held
  UNION ALL SELECT 'rule', 'measurements', 'q_measurement_id__record_conflict', count(*) FROM fate_measurements WHERE fate = 'quarantined' AND NOT held
  UNION ALL SELECT 'rule', 'events', 'w_' || name, rows FROM (UNPIVOT (FROM linked('fate_events')) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'rule', 'followups', 'w_' || name, rows FROM (UNPIVOT (FROM linked('fate_followups')) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'rule', 'measurements', 'w_' || name, rows FROM (UNPIVOT (FROM linked('fate_measurements')) ON COLUMNS(*) INTO NAME name VALUE rows)
  UNION ALL SELECT 'standing', 'operations', procedure_code, count(*) FROM standing GROUP BY ALL
  UNION ALL SELECT 'tied', 'events', procedure_code, count(*) FROM tied('fate_events') GROUP BY ALL
  UNION ALL SELECT 'tied', 'followups', procedure_code, count(*) FROM tied('fate_followups') GROUP BY ALL
  UNION ALL SELECT 'tied', 'measurements', procedure_code, count(*) FROM tied('fate_measurements') GROUP BY ALL
  UNION ALL SELECT 'within 90 days', 'events', procedure_code, count(DISTINCT (site, id)) FROM tied('fate_events')
    WHERE since BETWEEN 0 AND 90 GROUP BY ALL
) WHERE rows > 0 ORDER BY ALL;
