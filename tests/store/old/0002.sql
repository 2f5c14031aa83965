BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'daq','0001_tables','2026-11-25 10:09:22.987283+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'daq','0002_verification','2026-11-25 10:58:55.075371+00:00');
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
INSERT INTO "audit" VALUES(1,1760000000000000000,'m.keeper','method_registered','glaze-flow 1','{"digest":"d1"}','ee93825c7eeae3fec2bf96e266af9ed9eb840871a7895bd5052299b53ed8eac9','a464cb1f9cb2a648a7a1d8f62d3ea6be80bd9250afac1457b1ff32656fef3a47');
INSERT INTO "audit" VALUES(2,1760000000000000000,'m.keeper','run_started','old-a','{"instrument":"rotor-1","method":"glaze-flow 1","sample":"GL-0412"}','a464cb1f9cb2a648a7a1d8f62d3ea6be80bd9250afac1457b1ff32656fef3a47','4ea984846f2485e56b81dbef4ba6254f4f3164749e653cc51210a59f232f440f');
INSERT INTO "audit" VALUES(3,1760000060000000000,'m.keeper','run_concluded','old-a','{"outcome":"complete","reason":"last rule met","result":"old-result"}','4ea984846f2485e56b81dbef4ba6254f4f3164749e653cc51210a59f232f440f','65c3daca2133a4848c8cd8f0e1175b35709665690da5926b430959b7c0f17215');
INSERT INTO "audit" VALUES(4,1760000070000000000,'daemon','run_ended','old-a','{"journal_digest":"b84a75461d6d26bfaf1d70296b0f793e72f07bc09952c630d43f4963ee907fc1","motor":"still","result_digest":"897a0e7438f15d71118b455d253cc4c7c480d9110496e1ccbc89a77dbc75d362"}','65c3daca2133a4848c8cd8f0e1175b35709665690da5926b430959b7c0f17215','cc9907b3991f550757da2d5bc333f2b747b25d02f09a76fdebb2977540932ea7');
INSERT INTO "audit" VALUES(5,1760000001000000000,'m.keeper','run_started','old-b','{"instrument":"rotor-1","method":"glaze-flow 1","sample":"GL-0412"}','cc9907b3991f550757da2d5bc333f2b747b25d02f09a76fdebb2977540932ea7','d1dbc8f558ec686520370615e4d13c909ba6b5bb35f75fa1befb9e3c66a9df31');
CREATE TABLE health (
    run TEXT PRIMARY KEY REFERENCES runs (id),
    instrument TEXT NOT NULL,
    utc_ns INTEGER NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data))
) STRICT;
INSERT INTO "health" VALUES('old-a','rotor-1',1760000070000000000,'{"zero": 0.1}');
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
INSERT INTO "journal" VALUES('old-a',0,0,1000000000,1,X'7801CBC9CC4BE5E5020007A601C0','893e89e669b5a4f9e5136d565f51e341a0c5e5531816c9c1a806d90df66a45f4');
INSERT INTO "journal" VALUES('old-a',1,1000000000,2000000000,2,X'7801CBC9CC4BE5E5CA01930019C6037F','b84a75461d6d26bfaf1d70296b0f793e72f07bc09952c630d43f4963ee907fc1');
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
INSERT INTO "meta" VALUES(1,'3455eca4-e843-434c-b7ec-aa9dafededde',1,1760000000000000000,NULL);
CREATE TABLE methods (
    id TEXT NOT NULL,
    version TEXT NOT NULL,
    digest TEXT NOT NULL,
    text TEXT NOT NULL,
    registered_utc_ns INTEGER NOT NULL,
    PRIMARY KEY (id, version)
) STRICT;
INSERT INTO "methods" VALUES('glaze-flow','1','d1','[method]
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
    payload BLOB NOT NULL,
    properties TEXT NOT NULL CHECK (json_valid(properties)),
    created_utc_ns INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'acknowledged', 'refused')),
    acknowledged_utc_ns INTEGER
) STRICT;
INSERT INTO "outbox" VALUES(1,'old-result','old-result','rotor-1',1,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A20226F6C642D61222C202273657175656E6365223A20312C202261756469745F68656164223A202236356333646163613231333361343834386338636438663065313137356233353730393636353639306461353932366234333039353962376330663137323135222C20226A6F75726E616C5F646967657374223A202262383461373534363164366432366266616631643730323936623066373933653732663037626330393935326336333064343366343936336565393037666331227D','{}',1760000060000000000,0,'','waiting',NULL);
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
INSERT INTO "results" VALUES('old-result','old-a',1,'rotor-1',1,'{"run": "old-a", "sequence": 1, "audit_head": "65c3daca2133a4848c8cd8f0e1175b35709665690da5926b430959b7c0f17215", "journal_digest": "b84a75461d6d26bfaf1d70296b0f793e72f07bc09952c630d43f4963ee907fc1"}',1760000060000000000,NULL,3,'65c3daca2133a4848c8cd8f0e1175b35709665690da5926b430959b7c0f17215','b84a75461d6d26bfaf1d70296b0f793e72f07bc09952c630d43f4963ee907fc1');
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
    header TEXT NOT NULL CHECK (json_valid(header)),
    FOREIGN KEY (method_id, method_version) REFERENCES methods (id, version)
) STRICT;
INSERT INTO "runs" VALUES('old-a','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','d1','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('old-b','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','d1','m.keeper',1,'running','','','',1760000001000000000,NULL,'{"plan": {"links": []}}');
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX runs_by_time ON runs (began_utc_ns);
CREATE INDEX runs_by_sample ON runs (sample);
CREATE INDEX runs_unfinished ON runs (state) WHERE state <> 'ended';
CREATE UNIQUE INDEX one_first_result_a_run ON results (run) WHERE supersedes IS NULL;
CREATE UNIQUE INDEX one_correction_a_result ON results (supersedes) WHERE supersedes IS NOT NULL;
CREATE INDEX outbox_pending ON outbox (state, seq) WHERE state <> 'acknowledged';
CREATE INDEX outbox_by_stream ON outbox (stream, sequence);
CREATE INDEX outbox_by_result ON outbox (result);
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
CREATE TRIGGER outbox_frozen BEFORE UPDATE OF id, result, stream, sequence, topic, qos, retain, payload ON outbox
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;
CREATE INDEX health_by_instrument ON health (instrument, utc_ns);
CREATE INDEX audit_verifications ON audit (subject, seq) WHERE what = 'verification';
CREATE INDEX results_by_stream ON results (stream, audit_seq, id, run);
COMMIT;
