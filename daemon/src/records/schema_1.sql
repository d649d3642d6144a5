-- The records of a book, first version. Times are microseconds since 1970-01-01T00:00:00Z and
-- end in `_at`; identities are UUIDs as text; units are in the column names.

CREATE TABLE book (
  one        INTEGER PRIMARY KEY CHECK (one = 1),
  id         TEXT NOT NULL CHECK (length(id) = 36),
  shop       TEXT NOT NULL,
  time_zone  TEXT NOT NULL CHECK (time_zone <> ''),
  demo       INTEGER NOT NULL CHECK (demo IN (0, 1)),
  made_at    INTEGER NOT NULL,
  made_by    TEXT NOT NULL
) STRICT;

CREATE TABLE machines (
  name            TEXT PRIMARY KEY CHECK (name <> ''),
  added_at        INTEGER NOT NULL,
  added_by        TEXT NOT NULL CHECK (added_by IN ('configuration', 'import', 'hand')),
  transfer_most_s REAL CHECK (transfer_most_s > 0)
) STRICT;

CREATE TABLE kilns (
  name     TEXT PRIMARY KEY CHECK (name <> ''),
  spread_k REAL CHECK (spread_k >= 0),
  added_at INTEGER NOT NULL,
  added_by TEXT NOT NULL CHECK (added_by IN ('configuration', 'import', 'hand'))
) STRICT;

CREATE TABLE sessions (
  id           TEXT PRIMARY KEY CHECK (length(id) = 36),
  name         TEXT NOT NULL UNIQUE CHECK (name <> ''),
  machine      TEXT NOT NULL REFERENCES machines (name),
  opened_at    INTEGER NOT NULL,
  closed_at    INTEGER CHECK (closed_at >= opened_at),
  state        TEXT NOT NULL CHECK (state IN ('open', 'closed', 'imported')),
  day          TEXT NOT NULL CHECK (day GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  trace        TEXT,
  trace_sha256 TEXT CHECK (length(trace_sha256) = 64),
  trace_rows   INTEGER CHECK (trace_rows >= 0),
  generation   INTEGER NOT NULL DEFAULT 0 CHECK (generation >= 0),
  extractor    TEXT,
  extracted_at INTEGER,
  CHECK ((state = 'open') = (closed_at IS NULL)),
  CHECK ((trace IS NULL) = (trace_sha256 IS NULL) AND (trace IS NULL) = (trace_rows IS NULL))
) STRICT;
CREATE INDEX sessions_by_time ON sessions (opened_at);

-- What a session takes from the journal: nothing up to last_seq is taken twice.
CREATE TABLE session_claims (
  session  TEXT PRIMARY KEY REFERENCES sessions (id) ON DELETE CASCADE,
  from_at  INTEGER NOT NULL,
  to_at    INTEGER CHECK (to_at >= from_at),
  last_seq INTEGER CHECK (last_seq >= 0),
  CHECK ((to_at IS NULL) = (last_seq IS NULL))
) STRICT;

-- What the extractor found in the trace, context-free, one JSON object a line.
CREATE TABLE session_features (
  session      TEXT PRIMARY KEY REFERENCES sessions (id) ON DELETE CASCADE,
  trace_sha256 TEXT CHECK (length(trace_sha256) = 64),
  extractor    TEXT NOT NULL,
  rows         TEXT NOT NULL
) STRICT;

CREATE TABLE session_kilns (
  session TEXT NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
  number  INTEGER NOT NULL CHECK (number >= 1),
  kiln    TEXT NOT NULL REFERENCES kilns (name),
  PRIMARY KEY (session, number)
) STRICT;

CREATE TABLE pulls (
  session      TEXT NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
  number       INTEGER NOT NULL CHECK (number >= 1),
  opened_at    INTEGER NOT NULL,
  closed_at    INTEGER CHECK (closed_at >= opened_at),
  depth_kpa    REAL,
  share        REAL,
  settled_kpa  REAL,
  settled_se_kpa REAL,
  rest_kpa     REAL,
  time_to_90_s REAL,
  tau_s        REAL,
  tau_se_s     REAL,
  end_kpa      REAL,
  end_se_kpa   REAL,
  loss_kpa_min REAL,
  loss_se_kpa_min REAL,
  verdict      TEXT NOT NULL CHECK (verdict IN ('good', 'weak', 'missing', 'unknown')),
  poured       INTEGER NOT NULL CHECK (poured IN (0, 1)),
  PRIMARY KEY (session, number)
) STRICT;

CREATE TABLE pours (
  id                     TEXT PRIMARY KEY CHECK (length(id) = 36),
  session                TEXT NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
  number                 INTEGER NOT NULL CHECK (number >= 0),
  poured_at              INTEGER NOT NULL,
  confidence             REAL NOT NULL CHECK (confidence BETWEEN 0 AND 1),
  found_by               TEXT NOT NULL CHECK (found_by IN ('switch', 'tap', 'trace', 'hand')),
  destination            TEXT NOT NULL DEFAULT 'flask'
                         CHECK (destination IN ('flask', 'ingot', 'grain', 'trial', 'lost')),
  alloy                  TEXT,
  target_c               REAL,
  pour_temperature_c     REAL,
  superheat_k            REAL,
  heating_rate_k_s       REAL,
  peak_melt_c            REAL,
  time_molten_s          REAL,
  since_charge_s         REAL,
  vacuum_kpa             REAL,
  vacuum_share           REAL,
  vacuum_lead_s          REAL,
  vacuum_after_kpa       REAL,
  gas_flow_l_min         REAL,
  gas_flow_least_l_min   REAL,
  kiln_temperature_c     REAL,
  soak_min               REAL,
  transfer_s             REAL,
  flask_temperature_c    REAL,
  flask_temperature_sd_k REAL,
  flask_temperature_from TEXT CHECK (flask_temperature_from IN ('measured', 'cooled', 'card')),
  seal_age_pours         INTEGER CHECK (seal_age_pours >= 0),
  quality                TEXT NOT NULL DEFAULT '',
  faults                 TEXT NOT NULL DEFAULT '',
  seal_ring_age_pours       INTEGER CHECK (seal_ring_age_pours >= 0),
  stopper_rod_age_pours     INTEGER CHECK (stopper_rod_age_pours >= 0),
  stirring_rod_age_pours    INTEGER CHECK (stirring_rod_age_pours >= 0),
  crucible_age_pours        INTEGER CHECK (crucible_age_pours >= 0),
  thermocouple_age_pours    INTEGER CHECK (thermocouple_age_pours >= 0),
  pump_oil_age_pours        INTEGER CHECK (pump_oil_age_pours >= 0),
  gas_cylinder_age_pours    INTEGER CHECK (gas_cylinder_age_pours >= 0),
  gasket_pulls              INTEGER CHECK (gasket_pulls >= 0),
  session_gas_l             REAL,
  session_gas_unsure_l      REAL,
  session_bare_hot_s        REAL,
  cylinder_used_l           REAL,
  cylinder_left_l           REAL,
  cylinder_unsure_l         REAL,
  crucible_bare_hot_min     REAL,
  stopper_rod_bare_hot_min  REAL,
  stirring_rod_bare_hot_min REAL,
  gasket_share_first        REAL,
  gasket_share_lately       REAL,
  gone_at                INTEGER,
  CHECK ((number = 0) = (gone_at IS NOT NULL))
) STRICT;
CREATE INDEX pours_by_session ON pours (session, poured_at);
CREATE INDEX pours_by_time ON pours (poured_at);

CREATE TABLE flasks (
  id               TEXT PRIMARY KEY CHECK (length(id) = 36),
  label            TEXT NOT NULL CHECK (label <> ''),
  day              TEXT NOT NULL CHECK (day GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  session          TEXT REFERENCES sessions (id),
  machine          TEXT REFERENCES machines (name),
  casting_order    INTEGER CHECK (casting_order >= 1),
  alloy            TEXT,
  metal_g          REAL CHECK (metal_g > 0),
  remelt_percent   REAL CHECK (remelt_percent BETWEEN 0 AND 100),
  diameter_mm      REAL CHECK (diameter_mm > 0),
  height_mm        REAL CHECK (height_mm > 0),
  investment_batch TEXT,
  water_ratio      REAL CHECK (water_ratio > 0),
  invested_at      INTEGER,
  kiln             TEXT REFERENCES kilns (name),
  load             TEXT,
  shelf            TEXT,
  kiln_in_at       INTEGER,
  kiln_out_at      INTEGER CHECK (kiln_out_at >= kiln_in_at),
  kiln_out_by      TEXT NOT NULL DEFAULT 'card' CHECK (kiln_out_by IN ('card', 'tap')),
  kiln_set_c       REAL CHECK (kiln_set_c > -273.15),
  soak_min         REAL CHECK (soak_min >= 0),
  trial_arm        TEXT,
  note             TEXT,
  programme        TEXT,
  source           TEXT NOT NULL CHECK (source IN ('card', 'import')),
  added_at         INTEGER NOT NULL
) STRICT;
CREATE INDEX flasks_by_day ON flasks (day, label);

CREATE TABLE flask_lines (
  id            TEXT PRIMARY KEY CHECK (length(id) = 36),
  flask         TEXT NOT NULL REFERENCES flasks (id) ON DELETE CASCADE,
  number        INTEGER NOT NULL CHECK (number >= 1),
  pattern       TEXT,
  sprue_version TEXT,
  section       TEXT,
  pieces        INTEGER CHECK (pieces >= 1),
  made_of       TEXT CHECK (made_of IN ('wax', 'resin')),
  UNIQUE (flask, number)
) STRICT;

CREATE TABLE imported_settings (
  flask               TEXT PRIMARY KEY REFERENCES flasks (id) ON DELETE CASCADE,
  import              TEXT NOT NULL REFERENCES imports (id),
  content_sha256      TEXT NOT NULL UNIQUE CHECK (length(content_sha256) = 64),
  cast_at             INTEGER NOT NULL,
  day_only            INTEGER NOT NULL CHECK (day_only IN (0, 1)),
  pour_temperature_c  REAL CHECK (pour_temperature_c > -273.15),
  flask_temperature_c REAL CHECK (flask_temperature_c > -273.15),
  vacuum_kpa          REAL,
  vacuum_share        REAL,
  gas_flow_l_min      REAL CHECK (gas_flow_l_min >= 0),
  soak_min            REAL CHECK (soak_min >= 0),
  seal_age_pours      INTEGER CHECK (seal_age_pours >= 0)
) STRICT;

CREATE TABLE imports (
  id          TEXT PRIMARY KEY CHECK (length(id) = 36),
  file_name   TEXT NOT NULL,
  file_sha256 TEXT NOT NULL,
  imported_at INTEGER NOT NULL,
  rows_in     INTEGER NOT NULL CHECK (rows_in >= 0),
  rows_bad    INTEGER NOT NULL CHECK (rows_bad >= 0),
  flasks_new  INTEGER NOT NULL CHECK (flasks_new >= 0)
) STRICT;

-- Traces of another logger that were imported; the same samples are not taken twice.
CREATE TABLE imported_traces (
  machine        TEXT NOT NULL REFERENCES machines (name),
  samples_sha256 TEXT NOT NULL CHECK (length(samples_sha256) = 64),
  samples        INTEGER NOT NULL CHECK (samples >= 1),
  file_name      TEXT NOT NULL,
  imported_at    INTEGER NOT NULL,
  PRIMARY KEY (machine, samples_sha256)
) STRICT;

CREATE TABLE matches (
  id           INTEGER PRIMARY KEY,
  pour         TEXT NOT NULL REFERENCES pours (id),
  flask        TEXT NOT NULL REFERENCES flasks (id),
  made_at      INTEGER NOT NULL,
  made_by      TEXT NOT NULL CHECK (made_by IN ('order', 'hand')),
  confirmed_at INTEGER,
  confirmed_by TEXT CHECK (confirmed_by IN ('tap', 'inspection')),
  ended_at     INTEGER,
  ended_why    TEXT,
  CHECK ((confirmed_at IS NULL) = (confirmed_by IS NULL)),
  CHECK ((ended_at IS NULL) = (ended_why IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_flask_per_pour ON matches (pour) WHERE ended_at IS NULL;
CREATE UNIQUE INDEX one_pour_per_flask ON matches (flask) WHERE ended_at IS NULL;
CREATE INDEX matches_of_pour ON matches (pour);
CREATE INDEX matches_of_flask ON matches (flask);

CREATE TABLE corrections (
  id      INTEGER PRIMARY KEY,
  pour    TEXT NOT NULL REFERENCES pours (id),
  field   TEXT NOT NULL,
  was     TEXT,
  becomes TEXT,
  made_at INTEGER NOT NULL,
  note    TEXT
) STRICT;
CREATE INDEX corrections_of_pour ON corrections (pour);

-- What people said of where metal left, as it stands; corrections hold its history. It wins
-- over every extraction.
CREATE TABLE hand_pours (
  pour      TEXT PRIMARY KEY REFERENCES pours (id) ON DELETE CASCADE,
  found_at  INTEGER,
  poured_at INTEGER,
  row       TEXT,
  said_at   INTEGER NOT NULL,
  note      TEXT,
  CHECK (found_at IS NOT NULL OR poured_at IS NOT NULL)
) STRICT;

CREATE TABLE inspections (
  id                 TEXT PRIMARY KEY CHECK (length(id) = 36),
  line               TEXT NOT NULL REFERENCES flask_lines (id) ON DELETE CASCADE,
  stage              TEXT NOT NULL CHECK (stage IN ('washed', 'cut', 'polished', 'returned')),
  inspected_at       INTEGER NOT NULL,
  pieces             INTEGER NOT NULL CHECK (pieces >= 1),
  defective          INTEGER CHECK (defective BETWEEN 0 AND pieces),
  defective_steering INTEGER CHECK (defective_steering BETWEEN 0 AND pieces),
  good               INTEGER CHECK (good BETWEEN 0 AND pieces),
  rework             INTEGER CHECK (rework BETWEEN 0 AND pieces),
  scrap              INTEGER CHECK (scrap BETWEEN 0 AND pieces),
  inspected_by       TEXT,
  blind              INTEGER CHECK (blind IN (0, 1)),
  note               TEXT,
  photo              TEXT,
  added_at           INTEGER NOT NULL,
  CHECK (defective_steering <= defective)
) STRICT;
CREATE INDEX inspections_of_line ON inspections (line);

CREATE TABLE inspection_counts (
  inspection TEXT NOT NULL REFERENCES inspections (id) ON DELETE CASCADE,
  kind       TEXT NOT NULL CHECK (kind <> ''),
  pieces     INTEGER NOT NULL CHECK (pieces >= 0),
  PRIMARY KEY (inspection, kind)
) STRICT;

CREATE TABLE lots (
  id                TEXT PRIMARY KEY CHECK (length(id) = 36),
  label             TEXT NOT NULL UNIQUE CHECK (label <> ''),
  alloy             TEXT NOT NULL,
  supplier          TEXT,
  remelt_generation INTEGER NOT NULL CHECK (remelt_generation >= 0),
  received_at       INTEGER NOT NULL,
  received_g        REAL CHECK (received_g > 0),
  note              TEXT
) STRICT;

CREATE TABLE charges (
  flask TEXT NOT NULL REFERENCES flasks (id) ON DELETE CASCADE,
  lot   TEXT NOT NULL REFERENCES lots (id),
  grams REAL NOT NULL CHECK (grams > 0),
  PRIMARY KEY (flask, lot)
) STRICT;

CREATE TABLE weights_back (
  id         INTEGER PRIMARY KEY,
  flask      TEXT NOT NULL REFERENCES flasks (id) ON DELETE CASCADE,
  what       TEXT NOT NULL CHECK (what IN ('tree', 'button', 'scrap', 'pieces')),
  grams      REAL NOT NULL CHECK (grams >= 0),
  lot        TEXT REFERENCES lots (id),
  weighed_at INTEGER NOT NULL
) STRICT;
CREATE INDEX weights_back_of_flask ON weights_back (flask);

CREATE TABLE part_changes (
  id           TEXT PRIMARY KEY CHECK (length(id) = 36),
  part         TEXT NOT NULL CHECK (part IN ('gasket', 'seal-ring', 'stopper-rod', 'stirring-rod',
                 'crucible', 'thermocouple', 'pump-oil', 'gas-cylinder')),
  machine      TEXT REFERENCES machines (name),
  kiln         TEXT REFERENCES kilns (name),
  channel      TEXT,
  changed_at   INTEGER NOT NULL,
  gas          TEXT,
  volume_l     REAL CHECK (volume_l > 0),
  pressure_kpa REAL CHECK (pressure_kpa >= 0),
  note         TEXT,
  added_at     INTEGER NOT NULL,
  CHECK ((machine IS NULL) <> (kiln IS NULL)),
  CHECK (part = 'gas-cylinder' OR (gas IS NULL AND volume_l IS NULL AND pressure_kpa IS NULL)),
  CHECK (part = 'thermocouple' OR channel IS NULL)
) STRICT;
CREATE INDEX part_changes_by_time ON part_changes (machine, part, changed_at);

CREATE TABLE targets (
  id                     INTEGER PRIMARY KEY,
  alloy                  TEXT NOT NULL,
  section                TEXT NOT NULL,
  pour_temperature_c     REAL CHECK (pour_temperature_c > -273.15),
  pour_temperature_text  TEXT,
  flask_temperature_c    REAL CHECK (flask_temperature_c > -273.15),
  flask_temperature_text TEXT,
  soak_min               REAL CHECK (soak_min >= 0),
  vacuum_lead_s          REAL CHECK (vacuum_lead_s >= 0),
  from_at                INTEGER NOT NULL,
  until_at               INTEGER CHECK (until_at >= from_at)
) STRICT;
CREATE UNIQUE INDEX one_target_at_a_time ON targets (alloy, section) WHERE until_at IS NULL;

CREATE TABLE probe_checks (
  id          TEXT PRIMARY KEY CHECK (length(id) = 36),
  machine     TEXT REFERENCES machines (name),
  kiln        TEXT REFERENCES kilns (name),
  channel     TEXT NOT NULL,
  checked_at  INTEGER NOT NULL,
  against     TEXT NOT NULL,
  reference_c REAL NOT NULL,
  read_c      REAL NOT NULL,
  offset_k    REAL NOT NULL,
  note        TEXT,
  CHECK ((machine IS NULL) <> (kiln IS NULL))
) STRICT;

-- Flasks that were measured while they cooled. The shop's moulds are reckoned from them anew
-- whenever they are needed; anew = 1 leaves those before it out (another investment).
CREATE TABLE cooling_checks (
  id            TEXT PRIMARY KEY CHECK (length(id) = 36),
  checked_at    INTEGER NOT NULL,
  diameter_mm   REAL NOT NULL CHECK (diameter_mm > 0),
  depth_mm      REAL NOT NULL CHECK (depth_mm > 0),
  anew          INTEGER NOT NULL CHECK (anew IN (0, 1)),
  note          TEXT,
  added_at      INTEGER NOT NULL,
  taken_back_at INTEGER CHECK (taken_back_at >= added_at)
) STRICT;

CREATE TABLE cooling_readings (
  cooling_check TEXT NOT NULL REFERENCES cooling_checks (id) ON DELETE CASCADE,
  number        INTEGER NOT NULL CHECK (number >= 1),
  out_s         REAL NOT NULL CHECK (out_s >= 0),
  temperature_c REAL NOT NULL CHECK (temperature_c > -273.15),
  PRIMARY KEY (cooling_check, number)
) STRICT;

-- Trials of two pour temperatures. Nothing of one changes after it is planned but its end.
CREATE TABLE trials (
  id            TEXT PRIMARY KEY CHECK (length(id) = 36),
  alloy         TEXT NOT NULL CHECK (alloy <> ''),
  section       TEXT NOT NULL CHECK (section <> ''),
  usual_c       REAL NOT NULL CHECK (usual_c > -273.15),
  tried_c       REAL NOT NULL CHECK (tried_c > -273.15 AND tried_c <> usual_c),
  flasks        INTEGER NOT NULL CHECK (flasks >= 2),
  alpha         REAL NOT NULL CHECK (alpha > 0 AND alpha < 1),
  power         REAL NOT NULL CHECK (power > 0 AND power < 1),
  difference    REAL NOT NULL CHECK (difference > 0 AND difference <= 1),
  design_effect REAL NOT NULL CHECK (design_effect >= 1),
  seed          INTEGER NOT NULL CHECK (seed >= 0),
  planned_at    INTEGER NOT NULL,
  complete_at   INTEGER CHECK (complete_at >= planned_at),
  stopped_at    INTEGER CHECK (stopped_at >= planned_at),
  stopped_for   TEXT CHECK (stopped_for IN ('safety', 'misruns', 'given-up')),
  note          TEXT,
  CHECK ((stopped_at IS NULL) = (stopped_for IS NULL)),
  CHECK (complete_at IS NULL OR stopped_at IS NULL)
) STRICT;
CREATE UNIQUE INDEX one_trial_at_a_time ON trials ((1)) WHERE complete_at IS NULL AND stopped_at IS NULL;

-- Which flask of a trial got which temperature, by lot.
CREATE TABLE trial_lots (
  flask    TEXT PRIMARY KEY REFERENCES flasks (id) ON DELETE CASCADE,
  trial    TEXT NOT NULL REFERENCES trials (id) ON DELETE CASCADE,
  block    INTEGER NOT NULL CHECK (block >= 1),
  place    INTEGER NOT NULL CHECK (place >= 1),
  arm      TEXT NOT NULL CHECK (arm IN ('usual', 'tried')),
  target_c REAL NOT NULL CHECK (target_c > -273.15),
  given_at INTEGER NOT NULL,
  UNIQUE (trial, block, place)
) STRICT;

CREATE TABLE troubles (
  id       INTEGER PRIMARY KEY,
  day      TEXT NOT NULL CHECK (day GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  place    TEXT NOT NULL,
  channel  TEXT NOT NULL,
  reason   TEXT NOT NULL CHECK (reason <> ''),
  session  TEXT REFERENCES sessions (id) ON DELETE SET NULL,
  count    INTEGER NOT NULL CHECK (count >= 1),
  first_at INTEGER NOT NULL,
  last_at  INTEGER NOT NULL CHECK (last_at >= first_at),
  UNIQUE (day, place, channel, reason)
) STRICT;

CREATE TABLE unreadable_payloads (
  place    TEXT NOT NULL,
  channel  TEXT NOT NULL,
  payload  TEXT NOT NULL,
  count    INTEGER NOT NULL CHECK (count >= 1),
  first_at INTEGER NOT NULL,
  last_at  INTEGER NOT NULL,
  PRIMARY KEY (place, channel, payload)
) STRICT;

-- Each session's kilns in few corners, one JSON object a kiln.
CREATE TABLE kiln_courses (
  session TEXT NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
  number  INTEGER NOT NULL CHECK (number >= 1),
  course  TEXT NOT NULL,
  PRIMARY KEY (session, number)
) STRICT;

-- What kilns did, whoever's flasks were in them. A burnout keeps its identity by its time.
CREATE TABLE burnouts (
  id                      TEXT PRIMARY KEY CHECK (length(id) = 36),
  kiln                    TEXT NOT NULL REFERENCES kilns (name),
  programme               TEXT,
  began_at                INTEGER NOT NULL,
  joined_late             INTEGER NOT NULL CHECK (joined_late IN (0, 1)),
  ended_at                INTEGER CHECK (ended_at >= began_at),
  last_at                 INTEGER NOT NULL CHECK (last_at >= began_at),
  highest_c               REAL NOT NULL,
  above_700_min           REAL NOT NULL CHECK (above_700_min >= 0),
  door_openings           INTEGER NOT NULL CHECK (door_openings >= 0),
  door_longest_s          REAL CHECK (door_longest_s >= 0),
  door_slowest_recovery_s REAL CHECK (door_slowest_recovery_s >= 0)
) STRICT;
CREATE INDEX burnouts_by_time ON burnouts (kiln, began_at);

CREATE TABLE burnout_spells (
  burnout TEXT NOT NULL REFERENCES burnouts (id) ON DELETE CASCADE,
  number  INTEGER NOT NULL CHECK (number >= 1),
  kind    TEXT NOT NULL CHECK (kind IN ('ramp', 'hold')),
  from_at INTEGER NOT NULL,
  to_at   INTEGER NOT NULL CHECK (to_at >= from_at),
  from_c  REAL NOT NULL,
  to_c    REAL NOT NULL,
  PRIMARY KEY (burnout, number)
) STRICT;

CREATE TABLE burnout_faults (
  burnout    TEXT NOT NULL REFERENCES burnouts (id) ON DELETE CASCADE,
  number     INTEGER NOT NULL CHECK (number >= 1),
  kind       TEXT NOT NULL
             CHECK (kind IN ('stalled', 'run-off', 'cooling', 'door-open', 'silent', 'probe')),
  since_at   INTEGER NOT NULL,
  told_at    INTEGER NOT NULL,
  over_at    INTEGER,
  kiln_c     REAL,
  expected_c REAL,
  step       INTEGER CHECK (step >= 1),
  PRIMARY KEY (burnout, number)
) STRICT;
