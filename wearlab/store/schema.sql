-- The whole store, schema version 1. One unit per quantity; names carry the unit.
-- Facts carry the file and row they came from, so that a file can be taken back whole.
-- Big tables have no primary key on purpose (it costs four times the load); check.sql proves uniqueness instead.

CREATE TABLE meta (key VARCHAR PRIMARY KEY, value VARCHAR NOT NULL);

-- one row per file ever loaded; content is known again by its hash
CREATE SEQUENCE file_ids;
CREATE TABLE source_file (
    file_id INTEGER PRIMARY KEY DEFAULT nextval('file_ids'),
    name VARCHAR NOT NULL,              -- as given, relative to the folder that was loaded
    sha256 VARCHAR NOT NULL UNIQUE,
    bytes BIGINT NOT NULL,
    layout VARCHAR NOT NULL,            -- name of the layout used, or 'built-in form'
    kind VARCHAR NOT NULL,              -- tests, vehicles, events, odometer, ...
    encoding VARCHAR,
    delimiter VARCHAR,
    file_kind VARCHAR NOT NULL,         -- csv, xlsx, xlsm, ods, parquet, jsonl
    notes VARCHAR[] NOT NULL,           -- what the reader of the file said
    as_of DATE NOT NULL,                -- dates after it were impossible
    loaded_at TIMESTAMP NOT NULL,
    rows_read INTEGER NOT NULL,
    structure INTEGER NOT NULL,
    accepted INTEGER NOT NULL,
    flagged INTEGER NOT NULL,
    set_aside INTEGER NOT NULL,
    cells_set_aside INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    CHECK (rows_read = structure + accepted + flagged + set_aside)
);

-- every row of every file, verbatim
CREATE TABLE raw_row (
    file_id INTEGER NOT NULL,
    sheet VARCHAR,                      -- null for text files
    row_no INTEGER NOT NULL,            -- as an editor or spreadsheet numbers it, from 1
    cells VARCHAR[] NOT NULL,
    bucket VARCHAR NOT NULL             -- structure, accepted, flagged, set_aside
);

-- all of a sheet that its rows do not say, so that every reading can be made again without the file
CREATE TABLE raw_sheet (
    file_id INTEGER NOT NULL,
    place INTEGER NOT NULL,             -- order of the sheets in the file, from 0
    sheet VARCHAR,
    from_1904 BOOLEAN NOT NULL,
    merged INTEGER[][] NOT NULL,        -- merged areas: first row, first column, last row, last column, from 0
    notes VARCHAR[] NOT NULL,
    layout JSON                         -- the layout it was read with; null: none fits
);
-- cells that the file itself typed as dates or numbers, as runs of row indices from 0, ends included
CREATE TABLE raw_type (
    file_id INTEGER NOT NULL, place INTEGER NOT NULL, kind VARCHAR NOT NULL, col_no INTEGER NOT NULL,
    first_rows INTEGER[] NOT NULL, last_rows INTEGER[] NOT NULL
);

-- of which vehicle (or part number, or rig) and day a file speaks, copies included; day null: undated
CREATE TABLE touched (
    file_id INTEGER NOT NULL, vehicle VARCHAR NOT NULL, day DATE
);

-- a print of what each row of a sheet of tests says, whatever became of it: equal prints are copies
CREATE TABLE row_print (
    file_id INTEGER NOT NULL, sheet VARCHAR, row_no INTEGER NOT NULL, print UBIGINT NOT NULL
);

-- why something was flagged or set aside
CREATE TABLE remark (
    file_id INTEGER NOT NULL,
    sheet VARCHAR,
    row_no INTEGER NOT NULL,
    col_no INTEGER,                     -- from 1; null when the whole row is meant
    col_name VARCHAR,
    level VARCHAR NOT NULL,             -- note, flag, cell (one cell set aside), row (whole row set aside)
    code VARCHAR NOT NULL,              -- short name of the rule
    sentence VARCHAR NOT NULL,
    cell VARCHAR,                       -- the text as written
    suggestion VARCHAR                  -- never applied unasked
);

CREATE TABLE question (
    question_id VARCHAR NOT NULL,       -- stable: made from kind, subject and column
    file_id INTEGER NOT NULL,
    kind VARCHAR NOT NULL,              -- protocol, alias, family, cylinders, ...
    subject VARCHAR NOT NULL,           -- the vehicle or column asked about
    sentence VARCHAR NOT NULL,
    readings INTEGER NOT NULL           -- how many readings wait for the answer
);
CREATE TABLE answer (
    question_id VARCHAR NOT NULL,
    answered_at TIMESTAMP NOT NULL,
    value VARCHAR NOT NULL,             -- empty: closed without an answer
    reason VARCHAR,
    kind VARCHAR,                       -- of the question, which may be gone by now
    subject VARCHAR
);
-- what a person decided on a row or cell, by the content of its file: it outlives unload and reload
CREATE TABLE decision (
    sha256 VARCHAR NOT NULL,
    sheet VARCHAR,
    row_no INTEGER NOT NULL,
    col_no INTEGER,                     -- null: the whole row
    code VARCHAR NOT NULL,              -- rule that doubted it
    decision VARCHAR NOT NULL,          -- accept, value, drop
    value VARCHAR,                      -- value: the text that stands in for the cell
    reason VARCHAR,
    decided_at TIMESTAMP NOT NULL,
    col_name VARCHAR,
    line VARCHAR NOT NULL               -- the row as it was written: the same row of another file is settled alike
);

-- vehicle register, one row per statement about a vehicle; the latest dated statement holds
CREATE TABLE register (
    file_id INTEGER,
    row_no INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL,           -- key: capitals and digits only
    vehicle_text VARCHAR NOT NULL,      -- as written
    alias VARCHAR,                      -- another key of the same vehicle (plate, fleet number)
    valid_from DATE,
    family VARCHAR,
    cylinders INTEGER,
    depot VARCHAR,
    duty VARCHAR,
    fuel_supply VARCHAR,
    in_service DATE,
    odometer_start_km DOUBLE,
    original_parts BOOLEAN,             -- parts confirmed original since in_service
    warranty_until DATE,
    leaves_on DATE
);

-- rigs as their sheets state them; wearlab.toml has the last word. channel null: the whole rig
CREATE TABLE rig_register (
    file_id INTEGER,
    row_no INTEGER NOT NULL,
    rig VARCHAR NOT NULL,
    channel VARCHAR,
    valid_from DATE,
    tube_ml DOUBLE,
    graduation_ml DOUBLE,
    area_mm2 DOUBLE,
    dead_ml DOUBLE,
    volume_ml DOUBLE,
    limiter_bar DOUBLE,
    gauge_bar DOUBLE,
    depot VARCHAR,
    calibrate_every_days INTEGER,
    calibrated_on DATE,                 -- also a work of the kind calibration
    note VARCHAR
);

CREATE TABLE test (
    test_id VARCHAR NOT NULL,           -- made from file content hash, sheet and first row: the same after a reload
    file_id INTEGER NOT NULL,
    sheet VARCHAR,
    row_no INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL,
    vehicle_text VARCHAR NOT NULL,
    tested_on DATE NOT NULL,
    odometer_km DOUBLE,                 -- as the meter showed
    engine_hours DOUBLE,
    measure VARCHAR NOT NULL,
    protocol VARCHAR NOT NULL,          -- name from wearlab.toml, or one made of its parts
    driven VARCHAR,                     -- crank, idle, raised, bench; null when unknown
    duration_s DOUBLE,
    rail_bar DOUBLE,
    speed_rpm DOUBLE,
    fuel_temp_c DOUBLE,
    temp_kind VARCHAR,                  -- tank, return, coolant
    injectors_connected BOOLEAN,
    back_pressure_bar DOUBLE,
    metering_valve VARCHAR,
    volume_ml DOUBLE,                   -- closed volume of a pump test
    rise_to_bar DOUBLE,
    battery_v DOUBLE,
    supply_bar DOUBLE,
    supply_note VARCHAR,                -- filter state, air seen
    rig VARCHAR,
    technician VARCHAR,                 -- a code, never a name
    reason VARCHAR,                     -- planned, complaint, after repair, warranty, return
    complaint VARCHAR,
    fault_codes VARCHAR,
    note VARCHAR,
    completed_by VARCHAR,               -- test of the same visit that says more of the same measurement
    said_again BOOLEAN NOT NULL DEFAULT FALSE  -- that one is of another file and repeats all of this: not counted twice
);

CREATE TABLE reading (
    test_id VARCHAR NOT NULL,
    file_id INTEGER NOT NULL,
    row_no INTEGER NOT NULL,
    col_no INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL,
    tested_on DATE NOT NULL,
    measure VARCHAR NOT NULL,
    protocol VARCHAR NOT NULL,
    position VARCHAR NOT NULL,          -- '1'..'n', 'pump', 'set'
    repeat INTEGER NOT NULL,
    stated INTEGER,                     -- repeat number that the sheet gives
    value DOUBLE NOT NULL,              -- in `unit`; for a bound, the bound
    unit VARCHAR NOT NULL,              -- base unit: ml, ml/min, bar, s, bar/s
    level DOUBLE,                       -- in the measure's level unit (a volume over its own duration as ml/min)
    bound VARCHAR,                      -- at_least, at_most; null when measured
    resolution DOUBLE,                  -- graduation, in `unit`
    value_text VARCHAR NOT NULL,        -- as written
    unit_text VARCHAR,
    channel VARCHAR,                    -- tube of the rig
    serial VARCHAR,                     -- of the part, when the sheet gives it
    quality VARCHAR NOT NULL,           -- good, or the code of the rule that doubts it
    use VARCHAR NOT NULL,               -- trend, share (of the set only), show
    use_alone VARCHAR                   -- its use if no other file had said the same again; null: none did
);

-- repairs, swaps, meter changes, deliveries, calibrations, road failures; file_id null: entered by hand
CREATE SEQUENCE note_ids;
CREATE TABLE work (
    file_id INTEGER,
    row_no INTEGER NOT NULL,            -- row of the file, or number of the note
    vehicle VARCHAR,                    -- null for a whole depot or rig
    vehicle_text VARCHAR,
    depot VARCHAR,
    rig VARCHAR,
    done_on DATE NOT NULL,
    odometer_km DOUBLE,
    kind VARCHAR NOT NULL,
    position VARCHAR,                   -- '1', 'pump', 'set'
    position_to VARCHAR,                -- swap: the other position
    part_number VARCHAR,
    serial_out VARCHAR,
    serial_in VARCHAR,
    origin VARCHAR,                     -- new, rebuilt, used
    meter_before_km DOUBLE,
    meter_after_km DOUBLE,
    reason VARCHAR,                     -- planned, complaint, after repair, warranty, return
    complaint VARCHAR,
    fault_codes VARCHAR,
    note VARCHAR
);

CREATE TABLE odometer_log (
    file_id INTEGER NOT NULL,
    sheet VARCHAR,
    row_no INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL,
    read_on DATE NOT NULL,
    odometer_km DOUBLE,
    engine_hours DOUBLE,
    litres DOUBLE
);

-- where a sheet keeps its odometer, so that a reading doubted later can be told as it was written
CREATE TABLE meter_column (
    file_id INTEGER NOT NULL, sheet VARCHAR, col_no INTEGER NOT NULL, col_name VARCHAR NOT NULL
);

CREATE TABLE planned_visit (
    file_id INTEGER, row_no INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL, planned_on DATE NOT NULL, kind VARCHAR, depot VARCHAR,
    reason VARCHAR, complaint VARCHAR, fault_codes VARCHAR, note VARCHAR
);
CREATE TABLE stock (
    file_id INTEGER, row_no INTEGER NOT NULL, counted_on DATE,
    part_number VARCHAR NOT NULL, on_hand INTEGER, on_order INTEGER, due_on DATE, note VARCHAR
);
CREATE TABLE acknowledgement (
    subject VARCHAR NOT NULL, acknowledged_at TIMESTAMP NOT NULL, reason VARCHAR NOT NULL
);

-- limit rules as they stood whenever wearlab.toml was read: a verdict keeps the version it was made with
CREATE TABLE limit_rule (
    name VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    first_seen TIMESTAMP NOT NULL,
    rule JSON NOT NULL,
    PRIMARY KEY (name, version)
);

-- records of a run, append-only
CREATE SEQUENCE run_ids;
CREATE TABLE run (
    run_id INTEGER PRIMARY KEY DEFAULT nextval('run_ids'),
    made_at TIMESTAMP NOT NULL,
    as_of DATE NOT NULL,
    step VARCHAR NOT NULL,              -- learn, forecast, month
    settings_sha256 VARCHAR NOT NULL,
    facts_sha256 VARCHAR NOT NULL,
    version VARCHAR NOT NULL
);
CREATE TABLE forecast (
    run_id INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL, position VARCHAR NOT NULL, part VARCHAR NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL, unit VARCHAR NOT NULL,
    rule VARCHAR, "limit" DOUBLE, limit_version INTEGER, direction VARCHAR,
    level DOUBLE, level_low DOUBLE, level_high DOUBLE,
    next_low DOUBLE, next_high DOUBLE,  -- interval of the next reading
    rate DOUBLE, rate_low DOUBLE, rate_high DOUBLE, rate_unit VARCHAR,
    state VARCHAR NOT NULL, cause VARCHAR,
    state_before VARCHAR, changed VARCHAR,  -- state of the run before; why it is another now, null when it is the same
    readings INTEGER NOT NULL, last_test DATE, retest_by DATE, retest_why VARCHAR,
    date_p05 DATE, date_p10 DATE, date_p50 DATE, date_p90 DATE, date_p95 DATE,
    distance_p05 DOUBLE, distance_p10 DOUBLE, distance_p50 DOUBLE, distance_p90 DOUBLE, distance_p95 DOUBLE,
    -- distance: true distance of the vehicle, km; odometer: what its present meter will show
    odometer_p05 DOUBLE, odometer_p10 DOUBLE, odometer_p50 DOUBLE, odometer_p90 DOUBLE, odometer_p95 DOUBLE,
    past DOUBLE,                        -- chance that the limit is already passed; the next four: passed by then
    within_30 DOUBLE, within_90 DOUBLE, within_180 DOUBLE, within_365 DOUBLE,
    next_visit DATE, before_visit DOUBLE,  -- next planned visit, and the chance of passage by then
    next_reading_past DOUBLE,           -- chance that the next test reads past the limit
    leaves_first BOOLEAN, note VARCHAR, -- the vehicle leaves before the middle date; why there is no such date
    method VARCHAR NOT NULL, no_answer VARCHAR
);
-- the wear model of a run. One row a group; scale null: the model had no answer, scale_note says why
CREATE TABLE wear_group (
    run_id INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL, unit VARCHAR NOT NULL, exposure_unit VARCHAR NOT NULL,
    readings INTEGER NOT NULL, vehicles INTEGER NOT NULL, parts INTEGER NOT NULL,
    scale VARCHAR,                      -- working scale of the largest weight
    scale_weights JSON,                 -- name of a scale -> weight; kept for the next month
    scale_note VARCHAR,
    status VARCHAR NOT NULL,            -- converged, converged on the boundary, not converged, no answer
    steps INTEGER, criterion DOUBLE,    -- of the fit with the largest weight
    notes VARCHAR[] NOT NULL            -- merged effects, assumed variances, what was left out, in sentences
);
-- what a group's fit says of all its parts; low and high bound 90 %
CREATE TABLE wear_effect (
    run_id INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,              -- rate, level, exponent, factor, event, offset, spread
    name VARCHAR NOT NULL,              -- family, coefficient, rig period or variance
    estimate DOUBLE, low DOUBLE, high DOUBLE, unit VARCHAR NOT NULL, note VARCHAR
);
-- one row a life of a part; level, next and new are told at its last test, under the group's reference conditions
CREATE TABLE part_state (
    run_id INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL, position VARCHAR NOT NULL, part VARCHAR NOT NULL, life INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    readings INTEGER NOT NULL, visits INTEGER NOT NULL, beyond INTEGER NOT NULL,
    last_test DATE NOT NULL, exposure_km DOUBLE,
    level DOUBLE, level_low DOUBLE, level_high DOUBLE,
    rate DOUBLE, rate_low DOUBLE, rate_high DOUBLE, rate_unit VARCHAR NOT NULL,
    next_low DOUBLE, next_high DOUBLE,  -- interval of this part's next reading, a usual interval between visits on
    new_low DOUBLE, new_high DOUBLE,    -- interval of the true level of a newly fitted part on the same vehicle
    reference VARCHAR NOT NULL,         -- the conditions that levels are told under
    outside INTEGER NOT NULL,           -- readings outside the range of correction, kept out of the fit
    no_answer VARCHAR, rate_no_answer VARCHAR
);
-- the smoothed level of a life at each day of its tests
CREATE TABLE part_path (
    run_id INTEGER NOT NULL,
    part VARCHAR NOT NULL, life INTEGER NOT NULL, measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    tested_on DATE NOT NULL, distance_km DOUBLE, exposure_km DOUBLE,
    level DOUBLE, low DOUBLE, high DOUBLE
);
-- readings the fit took for gross errors, and the weight it left them
CREATE TABLE wear_gross (
    run_id INTEGER NOT NULL,
    test_id VARCHAR NOT NULL, position VARCHAR NOT NULL, repeat INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    z DOUBLE NOT NULL, weight DOUBLE NOT NULL
);
-- what forecasts of hidden tests were worth: a row a group, number of visits hidden, choice of tests and forecast
CREATE TABLE hindsight (
    run_id INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL, unit VARCHAR NOT NULL,
    hidden INTEGER NOT NULL,            -- visits hidden; the last of them is forecast
    tests VARCHAR NOT NULL,             -- all, without complaints
    forecast VARCHAR NOT NULL,          -- wear model, recalibrated, or a rival
    readings INTEGER NOT NULL, vehicles INTEGER NOT NULL,
    coverage_50 DOUBLE, coverage_80 DOUBLE, coverage_90 DOUBLE,
    crps DOUBLE, error DOUBLE, bias DOUBLE, width_90 DOUBLE,
    pit INTEGER[] NOT NULL              -- readings by ten equal parts of the chance that the forecast gave
);
-- one row a group: the factor on its standard deviations (null: none), and what its forecasts of hidden tests gave away
CREATE TABLE recalibration (
    run_id INTEGER NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    factor DOUBLE, vehicles INTEGER NOT NULL, sentence VARCHAR NOT NULL,
    accelerating BOOLEAN NOT NULL, misfit BOOLEAN NOT NULL, signs VARCHAR[] NOT NULL
);
-- what the wear model did not foretell: one row an episode of a vehicle, a part or a set, its best cause in the columns
CREATE TABLE signal (
    run_id INTEGER NOT NULL,
    key VARCHAR NOT NULL,               -- short name of the subject
    subject VARCHAR NOT NULL,           -- vehicle|part|measure|protocol|part or set|month: as in acknowledgement
    vehicle VARCHAR,                    -- null: what several vehicles share
    part VARCHAR, position VARCHAR, life INTEGER,  -- null: all parts tested
    rig VARCHAR, channel VARCHAR, depot VARCHAR, vehicles INTEGER,  -- of a shared one
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL, driven VARCHAR, family VARCHAR,
    kind VARCHAR NOT NULL,              -- reading, step, wear, visit, vehicle; rig, tube, month
    detected_on DATE NOT NULL,          -- the visit that raised it
    latest_on DATE NOT NULL,            -- the last visit that was judged
    onset_on DATE NOT NULL,             -- first visit that shows it
    onset_early DATE NOT NULL, onset_late DATE NOT NULL,  -- it happened between these days, 9 in 10
    size DOUBLE, size_low DOUBLE, size_high DOUBLE, unit VARCHAR NOT NULL,
    percent DOUBLE, percent_low DOUBLE, percent_high DOUBLE,  -- of the reading; for wear of the family's rate
    z DOUBLE NOT NULL,
    alternatives JSON NOT NULL,         -- list of other causes that explain the readings about as well
    telling VARCHAR,                    -- the test that would tell them apart
    question VARCHAR,
    faded BOOLEAN NOT NULL, open BOOLEAN NOT NULL,
    closed VARCHAR                      -- why nothing is left to check
);
-- the budget of a run's signals; z_limit null: no signal fits into it
CREATE TABLE signal_run (
    run_id INTEGER NOT NULL,
    budget DOUBLE NOT NULL,             -- false signals a month
    z_limit DOUBLE,
    visits_a_month DOUBLE NOT NULL,
    expected DOUBLE NOT NULL,           -- false signals a month that the limit lets through
    groups INTEGER NOT NULL             -- groups of tests with a model
);
CREATE TABLE verdict (
    run_id INTEGER NOT NULL,
    vehicle VARCHAR NOT NULL, tested_on DATE NOT NULL, position VARCHAR NOT NULL,
    measure VARCHAR NOT NULL, protocol VARCHAR NOT NULL,
    rule VARCHAR NOT NULL, limit_version INTEGER NOT NULL,
    outcome VARCHAR NOT NULL, sentence VARCHAR NOT NULL
);

-- derived, rebuilt at will from the facts above
CREATE TABLE fitment (
    vehicle VARCHAR NOT NULL, position VARCHAR NOT NULL, part VARCHAR NOT NULL,
    serial VARCHAR, part_number VARCHAR,
    from_date DATE NOT NULL, from_order BIGINT NOT NULL,  -- order within the vehicle's history
    to_date DATE, to_order BIGINT,
    life INTEGER NOT NULL,
    start VARCHAR NOT NULL,             -- new, rebuilt, used, first test
    exposure_before_km DOUBLE           -- gathered on other vehicles or positions; null when unknown
);
CREATE TABLE fitted (                   -- which part each position of a test measured
    test_id VARCHAR NOT NULL, position VARCHAR NOT NULL, part VARCHAR NOT NULL, life INTEGER NOT NULL,
    distance_km DOUBLE,                 -- true distance of the vehicle, meter changes undone; null when unknown
    exposure_km DOUBLE,                 -- since the life began, or since its first test; null when unknown
    gathered_km DOUBLE,                 -- the share of it that was gathered on this vehicle
    start VARCHAR NOT NULL,             -- new, rebuilt: exposure counts from there; used, first test: from the first test
    cleaned INTEGER NOT NULL            -- how often the part was cleaned in this life before this test
);
CREATE VIEW comparable AS
SELECT r.test_id, r.file_id, r.row_no, r.col_no, r.vehicle, r.position, f.part, f.life, r.measure, r.protocol,
       r.repeat, r.tested_on, f.distance_km, f.exposure_km, f.gathered_km, f.start, f.cleaned, r.level, r.bound,
       r.resolution * CASE WHEN r.value = 0 OR r.level IS NULL THEN 1 ELSE r.level / r.value END AS resolution
FROM reading r JOIN fitted f ON f.test_id = r.test_id AND f.position = r.position
WHERE r.use = 'trend' AND r.level IS NOT NULL;
