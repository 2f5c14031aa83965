BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'daq','0001_baseline','2026-11-29 10:07:14.934853+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'daq','0002_records','2026-11-29 10:07:14.969203+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'daq','0003_delivery','2026-11-29 10:07:15.020278+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'daq','0004_attribution','2026-11-29 10:19:41.873788+00:00');
INSERT INTO "_sqlite_migrations" VALUES(5,'daq','0005_search','2026-11-29 10:51:30.208494+00:00');
INSERT INTO "_sqlite_migrations" VALUES(6,'daq','0006_retention','2026-11-29 12:33:45.386899+00:00');
INSERT INTO "_sqlite_migrations" VALUES(7,'daq','0007_scale','2026-11-29 16:59:54.311426+00:00');
INSERT INTO "_sqlite_migrations" VALUES(8,'daq','0008_corrections','2026-11-29 19:58:12.720422+00:00');
CREATE TABLE audit (
    seq INTEGER PRIMARY KEY,
    utc_ns INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL CHECK (json_valid(detail)),
    previous TEXT NOT NULL,
    hash TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO "audit" VALUES(1,1760000000000000000,'m.keeper','method_registered','glaze-flow 1','{"digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f"}','82f37bab8b224fc126d10f56e11b561386dc2600f387fa2efc62adb9e6195f83','dd4eb4b4a212f555d248f3351f26f7a189f3e45736956689dd8e42a1a4030c6c');
INSERT INTO "audit" VALUES(2,1760000000000000000,'m.keeper','run_started','old-a','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','dd4eb4b4a212f555d248f3351f26f7a189f3e45736956689dd8e42a1a4030c6c','482ee87de64784e1427f551123bd6d97b998a24c60c7bd01f25a663fcd0e7647');
INSERT INTO "audit" VALUES(3,1760000060000000000,'m.keeper','run_concluded','old-a','{"outcome":"complete","reason":"last rule met","result":"res-old-a"}','482ee87de64784e1427f551123bd6d97b998a24c60c7bd01f25a663fcd0e7647','05c66dd0b08f3a1bddb78e85824cb77c06379ce563a78b640beac03c5bfcee8f');
INSERT INTO "audit" VALUES(4,1760000060000000000,'m.keeper','result_stored','res-old-a','{"digest":"e62602bc3c6f61ec3581505473cf8e82ca7e30587dcc1639c4d6de61acb6541a","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"res-old-a","payload":"e62602bc3c6f61ec3581505473cf8e82ca7e30587dcc1639c4d6de61acb6541a","properties":"{}","qos":1,"retain":0,"seq":1,"topic":"lab/v1/result/rotor-1"}],"run":"old-a","sequence":1,"stream":"rotor-1","supersedes":null}','05c66dd0b08f3a1bddb78e85824cb77c06379ce563a78b640beac03c5bfcee8f','3540490de629b42ebe8b41c4115feaa78eb00199c0e9bb6022890d3409ecd16c');
INSERT INTO "audit" VALUES(5,1760000070000000000,'daemon','run_ended','old-a','{"ended_utc_ns":1760000070000000000,"journal_digest":"b69c380d94d952718c7f1c0ef28d5dbd83cda2429a7560c27c43cf09b5757bca","motor":"still","result_digest":"e62602bc3c6f61ec3581505473cf8e82ca7e30587dcc1639c4d6de61acb6541a"}','3540490de629b42ebe8b41c4115feaa78eb00199c0e9bb6022890d3409ecd16c','eb45185d36cdc54c393efdebf8d9b9ab3fea94dcc3082c12eabcb38f3e461d8b');
INSERT INTO "audit" VALUES(6,1760000001000000000,'m.keeper','run_started','old-b','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','eb45185d36cdc54c393efdebf8d9b9ab3fea94dcc3082c12eabcb38f3e461d8b','8fbb93888a76f5c5465693d6413634551e410ccee4bc0fba6c549f5fcdd01ba7');
INSERT INTO "audit" VALUES(7,1760000000000000000,'m.keeper','sample_added','G-1044','{"record":{"digest":"b174d0dbef75e21fcd7b61130ac6e00bda5dbf2a35441bda84218490c018a4db","id":"G-1044","keys":[["lot","7"]],"kind":"sample","revision":1}}','8fbb93888a76f5c5465693d6413634551e410ccee4bc0fba6c549f5fcdd01ba7','093e224ce37b7a991ebc4f8e626ffd3519390c6032bf022eb5954be85ebed25b');
CREATE TABLE broker_session (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    broker TEXT NOT NULL,
    known_utc_ns INTEGER NOT NULL,
    open INTEGER NOT NULL CHECK (open IN (0, 1))
) STRICT;
CREATE TABLE delivery (
    seq INTEGER PRIMARY KEY REFERENCES outbox (seq),
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'acknowledged', 'refused')),
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '',
    acknowledged_utc_ns INTEGER,
    quarantined INTEGER NOT NULL DEFAULT 0 CHECK (quarantined IN (0, 1)),
    refused_utc_ns INTEGER,
    again_utc_ns INTEGER
) STRICT;
INSERT INTO "delivery" VALUES(1,'waiting',0,'',NULL,0,NULL,NULL);
CREATE TABLE health (
    run TEXT PRIMARY KEY REFERENCES runs (id),
    instrument TEXT NOT NULL,
    utc_ns INTEGER NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data))
) STRICT;
CREATE TABLE instruments (
    name TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    serial TEXT NOT NULL,
    last_seen_utc_ns INTEGER NOT NULL
) STRICT;
CREATE TABLE journal (
    run TEXT NOT NULL REFERENCES runs (id),
    seq INTEGER NOT NULL,
    t_first INTEGER NOT NULL,
    t_last INTEGER NOT NULL,
    records INTEGER NOT NULL,
    data BLOB NOT NULL,
    digest TEXT NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT;
INSERT INTO "journal" VALUES('old-a',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('old-a',1,1000000000,1000000000,2,X'78016364603835CB9A0108D8803827332F95974B94FBD751461CE200E4F20A89','b69c380d94d952718c7f1c0ef28d5dbd83cda2429a7560c27c43cf09b5757bca');
CREATE TABLE kept (
    run TEXT NOT NULL REFERENCES runs (id),
    idx INTEGER NOT NULL,
    value TEXT NOT NULL CHECK (json_valid(value)),
    PRIMARY KEY (run, idx)
) STRICT;
INSERT INTO "kept" VALUES('old-a',0,'{"mean":1}');
INSERT INTO "kept" VALUES('old-a',1,'{"mean":2}');
CREATE TABLE meta (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    source TEXT NOT NULL,
    epoch INTEGER NOT NULL CHECK (epoch > 0),
    created_utc_ns INTEGER NOT NULL,
    restored_utc_ns INTEGER
) STRICT;
INSERT INTO "meta" VALUES(1,'781fa508-0665-4d3e-b68f-ec61db25ba59',1,1760000000000000000,NULL);
CREATE TABLE methods (
    id TEXT NOT NULL,
    version TEXT NOT NULL,
    digest TEXT NOT NULL,
    text TEXT NOT NULL,
    registered_utc_ns INTEGER NOT NULL,
    PRIMARY KEY (id, version)
) STRICT;
INSERT INTO "methods" VALUES('glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','[method]
',1760000000000000000);
CREATE TABLE outbox (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL,
    result TEXT REFERENCES results (id),
    stream TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    topic TEXT NOT NULL,
    qos INTEGER NOT NULL CHECK (qos IN (0, 1)),
    retain INTEGER NOT NULL CHECK (retain IN (0, 1)),
    properties TEXT NOT NULL CHECK (json_valid(properties)),
    created_utc_ns INTEGER NOT NULL,
    payload BLOB NOT NULL
) STRICT;
INSERT INTO "outbox" VALUES(1,'res-old-a','res-old-a','rotor-1',1,'lab/v1/result/rotor-1',1,0,'{}',1760000060000000000,X'7B2272756E223A20226F6C642D61222C202273657175656E6365223A20312C202261756469745F68656164223A202230356336366464306230386633613162646462373865383538323463623737633036333739636535363361373862363430626561633033633562666365653866222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D');
CREATE TABLE record_keys (
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    id TEXT NOT NULL,
    PRIMARY KEY (kind, name, value, id)
) STRICT;
INSERT INTO "record_keys" VALUES('sample','lot','7','G-1044');
CREATE TABLE records (
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    revision INTEGER NOT NULL CHECK (revision > 0),
    data TEXT NOT NULL CHECK (json_valid(data)),
    audit_seq INTEGER NOT NULL UNIQUE REFERENCES audit (seq),
    PRIMARY KEY (kind, id, revision)
) STRICT;
INSERT INTO "records" VALUES('sample','G-1044',1,'{"id": "G-1044"}',7);
CREATE TABLE results (
    id TEXT PRIMARY KEY,
    run TEXT NOT NULL REFERENCES runs (id),
    epoch INTEGER NOT NULL,
    stream TEXT NOT NULL,
    sequence INTEGER NOT NULL CHECK (sequence > 0),
    data TEXT NOT NULL CHECK (json_valid(data)),
    created_utc_ns INTEGER NOT NULL,
    supersedes TEXT REFERENCES results (id),
    audit_seq INTEGER NOT NULL REFERENCES audit (seq),
    audit_head TEXT NOT NULL,
    journal_digest TEXT NOT NULL,
    UNIQUE (epoch, stream, sequence)
) STRICT;
INSERT INTO "results" VALUES('res-old-a','old-a',1,'rotor-1',1,'{"run": "old-a", "sequence": 1, "audit_head": "05c66dd0b08f3a1bddb78e85824cb77c06379ce563a78b640beac03c5bfcee8f", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000060000000000,NULL,3,'05c66dd0b08f3a1bddb78e85824cb77c06379ce563a78b640beac03c5bfcee8f','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
CREATE TABLE runs (
    id TEXT PRIMARY KEY,
    instrument TEXT NOT NULL,
    companions TEXT NOT NULL CHECK (json_valid(companions)),
    sample TEXT NOT NULL,
    product TEXT NOT NULL,
    lot TEXT NOT NULL,
    fill TEXT NOT NULL,
    replicate INTEGER NOT NULL CHECK (replicate > 0),
    sampled_at TEXT NOT NULL,
    method_id TEXT NOT NULL,
    method_version TEXT NOT NULL,
    method_digest TEXT NOT NULL,
    operator TEXT NOT NULL,
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    state TEXT NOT NULL CHECK (state IN ('running', 'concluded', 'ended')),
    outcome TEXT NOT NULL DEFAULT '',
    reason TEXT NOT NULL DEFAULT '',
    motor TEXT NOT NULL DEFAULT '',
    began_utc_ns INTEGER NOT NULL,
    ended_utc_ns INTEGER,
    header TEXT NOT NULL CHECK (json_valid(header)), attribution TEXT NOT NULL DEFAULT 'unattributed'
    CHECK (attribution IN ('unattributed', 'authorised', 'not_authorised')),
    FOREIGN KEY (method_id, method_version) REFERENCES methods (id, version)
) STRICT;
INSERT INTO "runs" VALUES('old-a','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}','unattributed');
INSERT INTO "runs" VALUES('old-b','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'running','','','',1760000001000000000,NULL,'{"plan": {"links": []}}','unattributed');
CREATE TABLE streams (
    epoch INTEGER NOT NULL,
    stream TEXT NOT NULL,
    last INTEGER NOT NULL CHECK (last > 0),
    PRIMARY KEY (epoch, stream)
) STRICT;
INSERT INTO "streams" VALUES(1,'rotor-1',1);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX runs_by_time ON runs (began_utc_ns);
CREATE INDEX runs_unfinished ON runs (state) WHERE state <> 'ended';
CREATE UNIQUE INDEX one_first_result_a_run ON results (run) WHERE supersedes IS NULL;
CREATE UNIQUE INDEX one_correction_a_result ON results (supersedes) WHERE supersedes IS NOT NULL;
CREATE INDEX health_by_instrument ON health (instrument, utc_ns);
CREATE INDEX audit_verifications ON audit (subject, seq) WHERE what = 'verification';
CREATE INDEX results_by_stream ON results (stream, audit_seq, id, run);
CREATE INDEX audit_by_subject ON audit (subject, seq);
CREATE INDEX audit_samples ON audit (json_extract(detail, '$.sample')) WHERE what = 'run_started';
CREATE INDEX results_by_run ON results (run, audit_seq);
CREATE TRIGGER audit_in_order BEFORE INSERT ON audit
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM audit)
BEGIN SELECT RAISE(ABORT, 'audit entries are only added at the end'); END;
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'audit entries are never changed'); END;
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit
BEGIN SELECT RAISE(ABORT, 'audit entries are never deleted'); END;
CREATE TRIGGER methods_no_update BEFORE UPDATE ON methods
BEGIN SELECT RAISE(ABORT, 'a registered method is never changed'); END;
CREATE TRIGGER journal_no_update BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'journal blocks are never changed'); END;
CREATE TRIGGER results_no_update BEFORE UPDATE ON results
BEGIN SELECT RAISE(ABORT, 'a result is never changed; a correction is a new one'); END;
CREATE INDEX record_keys_by_id ON record_keys (kind, id);
CREATE TRIGGER records_no_update BEFORE UPDATE ON records
BEGIN SELECT RAISE(ABORT, 'a revision of a record is never changed; a change is a new revision'); END;
CREATE TRIGGER records_no_delete BEFORE DELETE ON records
BEGIN SELECT RAISE(ABORT, 'a revision of a record is never deleted'); END;
CREATE INDEX outbox_by_id ON outbox (id);
CREATE INDEX outbox_by_result ON outbox (result);
CREATE INDEX outbox_by_stream ON outbox (stream, sequence);
CREATE INDEX outbox_by_time ON outbox (created_utc_ns);
CREATE INDEX outbox_retained ON outbox (topic, seq) WHERE retain;
CREATE INDEX delivery_pending ON delivery (state, seq) WHERE state <> 'acknowledged';
CREATE INDEX delivery_again ON delivery (again_utc_ns) WHERE state <> 'acknowledged' AND again_utc_ns IS NOT NULL;
CREATE INDEX delivery_by_acknowledgement ON delivery (acknowledged_utc_ns) WHERE acknowledged_utc_ns IS NOT NULL;
CREATE INDEX runs_by_sample ON runs (sample, began_utc_ns);
CREATE INDEX runs_by_instrument ON runs (instrument, began_utc_ns);
CREATE INDEX runs_by_product ON runs (product, began_utc_ns);
CREATE INDEX runs_by_fill ON runs (fill, began_utc_ns) WHERE fill <> '';
CREATE INDEX runs_with_motor_in_doubt ON runs (motor) WHERE motor = 'may_still_be_turning';
CREATE INDEX results_by_epoch ON results (stream, epoch, audit_seq);
CREATE INDEX audit_by_time ON audit (utc_ns);
CREATE INDEX audit_epochs ON audit (what, seq) WHERE what = 'epoch_started';
CREATE INDEX runs_by_lot ON runs (lot, began_utc_ns);
CREATE INDEX runs_by_operator ON runs (operator, began_utc_ns);
CREATE INDEX runs_by_outcome ON runs (outcome, began_utc_ns);
CREATE TRIGGER streams_only_grow BEFORE UPDATE ON streams
WHEN NEW.last <= OLD.last OR NEW.epoch <> OLD.epoch OR NEW.stream <> OLD.stream
BEGIN SELECT RAISE(ABORT, 'the last number of a stream only grows'); END;
CREATE TRIGGER streams_no_delete BEFORE DELETE ON streams
BEGIN SELECT RAISE(ABORT, 'the last number of a stream is never deleted'); END;
CREATE TRIGGER journal_no_delete BEFORE DELETE ON journal
WHEN NOT EXISTS (SELECT 1 FROM audit WHERE subject = OLD.run AND what = 'journal_archived')
BEGIN SELECT RAISE(ABORT, 'journal blocks are deleted only after the audit trail names their archive'); END;
CREATE TRIGGER outbox_frozen BEFORE UPDATE ON outbox
WHEN substr(NEW.payload, 1, 1) <> x'00' OR length(NEW.payload) >= length(OLD.payload)
    OR NEW.seq <> OLD.seq OR NEW.id <> OLD.id OR NEW.result IS NOT OLD.result OR NEW.stream <> OLD.stream
    OR NEW.sequence <> OLD.sequence OR NEW.topic <> OLD.topic OR NEW.qos <> OLD.qos OR NEW.retain <> OLD.retain
    OR NEW.properties <> OLD.properties OR NEW.created_utc_ns <> OLD.created_utc_ns
    OR NOT EXISTS (SELECT 1 FROM delivery WHERE seq = OLD.seq AND state = 'acknowledged')
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;
CREATE INDEX runs_counted ON runs (began_utc_ns, instrument, operator, replicate, attribution, id);
CREATE INDEX audit_anyway ON audit (utc_ns, subject)
    WHERE what = 'run_started' AND json_extract(detail, '$.anyway') IS NOT NULL;
CREATE INDEX results_by_verdict ON results
    (CASE WHEN json_valid(data) THEN json_extract(data, '$.verdict.verdict') END, run);
CREATE INDEX corrections_by_sample ON results
    (CASE WHEN json_valid(data) THEN json_extract(data, '$.sample.id') END) WHERE supersedes IS NOT NULL;
COMMIT;
