BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'daq','0001_baseline','2026-11-29 09:28:09.343843+00:00');
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
INSERT INTO "audit" VALUES(1,1760000000000000000,'m.keeper','method_registered','glaze-flow 1','{"digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f"}','6306de498e3ec889f6176c62b6b5e65249eeec187f486f340e58923ede83ae03','0563c10f112bb0a4389c6b292422538ce110a558daa581c0f598855090753830');
INSERT INTO "audit" VALUES(2,1760000000000000000,'m.keeper','run_started','run-1','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','0563c10f112bb0a4389c6b292422538ce110a558daa581c0f598855090753830','7b2a41f4afeef3385cd020d8dd776e9ed08a430d1d6ff985714ec79c971c2e1c');
INSERT INTO "audit" VALUES(3,1760000001000000000,'m.keeper','run_concluded','run-1','{"outcome":"complete","reason":"last rule met","result":"result-1"}','7b2a41f4afeef3385cd020d8dd776e9ed08a430d1d6ff985714ec79c971c2e1c','68bcc0c6ba5fa86c8b7d0a2e3386a567798ae4c33170c39624b5ae275be49ac6');
INSERT INTO "audit" VALUES(4,1760000001000000000,'m.keeper','result_stored','result-1','{"digest":"7b9d184f8c280ef68a77137bc590b5aa6858e3f843c06c6b3547fd913b469aa8","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-1","payload":"7b9d184f8c280ef68a77137bc590b5aa6858e3f843c06c6b3547fd913b469aa8","properties":"{}","qos":1,"retain":0,"seq":1,"topic":"lab/v1/result/rotor-1"},{"id":"result-1","payload":"7b9d184f8c280ef68a77137bc590b5aa6858e3f843c06c6b3547fd913b469aa8","properties":"{}","qos":1,"retain":1,"seq":2,"topic":"lab/v1/last/rotor-1"}],"run":"run-1","sequence":1,"stream":"rotor-1","supersedes":null}','68bcc0c6ba5fa86c8b7d0a2e3386a567798ae4c33170c39624b5ae275be49ac6','053ea89d47f48340eff2f7f410d75416e5539d5ae6efe7a870951931ec6cb0a5');
INSERT INTO "audit" VALUES(5,1760000070000000000,'daemon','run_ended','run-1','{"ended_utc_ns":1760000070000000000,"journal_digest":"bc84e96b0b7bb6b355842cc4473adccd5255ba1bb1430961f9ca0558a9ca45e5","motor":"still","result_digest":"7b9d184f8c280ef68a77137bc590b5aa6858e3f843c06c6b3547fd913b469aa8"}','053ea89d47f48340eff2f7f410d75416e5539d5ae6efe7a870951931ec6cb0a5','84d52154832d8b4ac0a6e9a25034ad20571912fb3b95e905a9c67f3905d131df');
INSERT INTO "audit" VALUES(6,1760000000000000000,'daemon','health_noted','run-1','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','84d52154832d8b4ac0a6e9a25034ad20571912fb3b95e905a9c67f3905d131df','0be924a0d82a7c03fe2efafa5c7caf193ab684477eed481f269f4f592da9c33c');
INSERT INTO "audit" VALUES(7,1760000000000000000,'m.keeper','run_started','run-2','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','0be924a0d82a7c03fe2efafa5c7caf193ab684477eed481f269f4f592da9c33c','0cfe868b839a98e8ec2266fe3a1a08b020ae7b398d394f5ee86193df27738a4e');
INSERT INTO "audit" VALUES(8,1760000002000000000,'m.keeper','run_concluded','run-2','{"outcome":"complete","reason":"last rule met","result":"result-2"}','0cfe868b839a98e8ec2266fe3a1a08b020ae7b398d394f5ee86193df27738a4e','629e8df173669aea16c0a13b6b15482ab016d23a386eb649eaf9fb92f7e1b86a');
INSERT INTO "audit" VALUES(9,1760000002000000000,'m.keeper','result_stored','result-2','{"digest":"8b1b9fc0458f900b20f4be08423ca192a0adc23638501ea44bea9ff493dacff7","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-2","payload":"8b1b9fc0458f900b20f4be08423ca192a0adc23638501ea44bea9ff493dacff7","properties":"{}","qos":1,"retain":0,"seq":3,"topic":"lab/v1/result/rotor-1"},{"id":"result-2","payload":"8b1b9fc0458f900b20f4be08423ca192a0adc23638501ea44bea9ff493dacff7","properties":"{}","qos":1,"retain":1,"seq":4,"topic":"lab/v1/last/rotor-1"}],"run":"run-2","sequence":2,"stream":"rotor-1","supersedes":null}','629e8df173669aea16c0a13b6b15482ab016d23a386eb649eaf9fb92f7e1b86a','f172a101cc39c1bed1068bde243e9f8546596975ff995bceaa769d19e6333a52');
INSERT INTO "audit" VALUES(10,1760000070000000000,'daemon','run_ended','run-2','{"ended_utc_ns":1760000070000000000,"journal_digest":"9aefba7ef6ee850fc40dcdd50c92d41db563a15f474dd43802b0449bd954b14d","motor":"still","result_digest":"8b1b9fc0458f900b20f4be08423ca192a0adc23638501ea44bea9ff493dacff7"}','f172a101cc39c1bed1068bde243e9f8546596975ff995bceaa769d19e6333a52','f1d29b94ebf2cf654938f1f76a62c46ace461da8c952db8fe0a40e84eee0b1d3');
INSERT INTO "audit" VALUES(11,1760000000000000000,'daemon','health_noted','run-2','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','f1d29b94ebf2cf654938f1f76a62c46ace461da8c952db8fe0a40e84eee0b1d3','a28ea9f5d9564d1985f697e69340afb1bebdf721c2419466956df9385402b213');
INSERT INTO "audit" VALUES(12,1760000000000000000,'m.keeper','run_started','run-3','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','a28ea9f5d9564d1985f697e69340afb1bebdf721c2419466956df9385402b213','a2238068c0fdb68294913de39eaed9ad9f34c90418ab642c1e494a0c6062c275');
INSERT INTO "audit" VALUES(13,1760000003000000000,'m.keeper','run_concluded','run-3','{"outcome":"complete","reason":"last rule met","result":"result-3"}','a2238068c0fdb68294913de39eaed9ad9f34c90418ab642c1e494a0c6062c275','0d31eec33acb6aaf48c71ce24874affd9437484ec1b925daca8678c5556d48c4');
INSERT INTO "audit" VALUES(14,1760000003000000000,'m.keeper','result_stored','result-3','{"digest":"289304087e401abc5f7c4d1a28e5c728c9ae924782a9276f79d04d978a932382","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-3","payload":"289304087e401abc5f7c4d1a28e5c728c9ae924782a9276f79d04d978a932382","properties":"{}","qos":1,"retain":0,"seq":5,"topic":"lab/v1/result/rotor-1"},{"id":"result-3","payload":"289304087e401abc5f7c4d1a28e5c728c9ae924782a9276f79d04d978a932382","properties":"{}","qos":1,"retain":1,"seq":6,"topic":"lab/v1/last/rotor-1"}],"run":"run-3","sequence":3,"stream":"rotor-1","supersedes":null}','0d31eec33acb6aaf48c71ce24874affd9437484ec1b925daca8678c5556d48c4','0ef2a57ee1d8a2dfd4fdc256793fd0919f39b5dd4cc5e67591b3e61a2a76992f');
INSERT INTO "audit" VALUES(15,1760000070000000000,'daemon','run_ended','run-3','{"ended_utc_ns":1760000070000000000,"journal_digest":"9216c8cbf707c6d94af2076ce64aec4ca02dd268437dae060bef25d7eee3dde8","motor":"still","result_digest":"289304087e401abc5f7c4d1a28e5c728c9ae924782a9276f79d04d978a932382"}','0ef2a57ee1d8a2dfd4fdc256793fd0919f39b5dd4cc5e67591b3e61a2a76992f','344b77c1c906c1729931e9d9b3404239fd3e48949e21fc74a27421e09e08a390');
INSERT INTO "audit" VALUES(16,1760000000000000000,'daemon','health_noted','run-3','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','344b77c1c906c1729931e9d9b3404239fd3e48949e21fc74a27421e09e08a390','7262b1a2b017b90fea2d83d43c7a9ca7bcb58490f82cf086eb5b3d380b2d8c44');
INSERT INTO "audit" VALUES(17,1760000000000000000,'m.keeper','run_started','run-4','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','7262b1a2b017b90fea2d83d43c7a9ca7bcb58490f82cf086eb5b3d380b2d8c44','e235ff476c6a3eabd754f31dbd0fe4c0adf15cfcc99e63249ca4f2d3966285f4');
INSERT INTO "audit" VALUES(18,1760000004000000000,'m.keeper','run_concluded','run-4','{"outcome":"complete","reason":"last rule met","result":"result-4"}','e235ff476c6a3eabd754f31dbd0fe4c0adf15cfcc99e63249ca4f2d3966285f4','0e7deea2d3813a55e880e2c515e0eefd1a9b5fccec4674e7f08811c3982c9f3e');
INSERT INTO "audit" VALUES(19,1760000004000000000,'m.keeper','result_stored','result-4','{"digest":"03a1c285e61b08a752b8058acf36a2345d8bed53194d3dffc4bde5fde7d28ffe","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-4","payload":"03a1c285e61b08a752b8058acf36a2345d8bed53194d3dffc4bde5fde7d28ffe","properties":"{}","qos":1,"retain":0,"seq":7,"topic":"lab/v1/result/rotor-1"},{"id":"result-4","payload":"03a1c285e61b08a752b8058acf36a2345d8bed53194d3dffc4bde5fde7d28ffe","properties":"{}","qos":1,"retain":1,"seq":8,"topic":"lab/v1/last/rotor-1"}],"run":"run-4","sequence":4,"stream":"rotor-1","supersedes":null}','0e7deea2d3813a55e880e2c515e0eefd1a9b5fccec4674e7f08811c3982c9f3e','e1f8f3051641006bfebbae44b1c99c3fbb9ef4a6839eb83599dd155cfd55f3a0');
INSERT INTO "audit" VALUES(20,1760000070000000000,'daemon','run_ended','run-4','{"ended_utc_ns":1760000070000000000,"journal_digest":"fbec907c68587ba172802cdad7ef3e1b62cb3ad6a7a9f890f936d53d1bd4e39b","motor":"still","result_digest":"03a1c285e61b08a752b8058acf36a2345d8bed53194d3dffc4bde5fde7d28ffe"}','e1f8f3051641006bfebbae44b1c99c3fbb9ef4a6839eb83599dd155cfd55f3a0','bdcc168dcd1722903ea1b279133a22063935ac5c04636b8949e07b025fcb0d7a');
INSERT INTO "audit" VALUES(21,1760000000000000000,'daemon','health_noted','run-4','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','bdcc168dcd1722903ea1b279133a22063935ac5c04636b8949e07b025fcb0d7a','1c288a02a715781e8b8b461e0f901294659895c84dd8a4e21193a3624f8c5682');
INSERT INTO "audit" VALUES(22,1760000000000000000,'m.keeper','run_started','run-5','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','1c288a02a715781e8b8b461e0f901294659895c84dd8a4e21193a3624f8c5682','1307ac82fe3c5d2dcb8a7511d5f239fa1320d20fab9a19f9e23f98fa3355f113');
INSERT INTO "audit" VALUES(23,1760000005000000000,'m.keeper','run_concluded','run-5','{"outcome":"complete","reason":"last rule met","result":"result-5"}','1307ac82fe3c5d2dcb8a7511d5f239fa1320d20fab9a19f9e23f98fa3355f113','b387bd8479fad0fd257f31b312f74629379d15b6a6d340468a4041d5841ecc41');
INSERT INTO "audit" VALUES(24,1760000005000000000,'m.keeper','result_stored','result-5','{"digest":"298046866ca38309075216d512bb7e4a3ba43593d699f93fe860b67059e41320","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-5","payload":"298046866ca38309075216d512bb7e4a3ba43593d699f93fe860b67059e41320","properties":"{}","qos":1,"retain":0,"seq":9,"topic":"lab/v1/result/rotor-1"},{"id":"result-5","payload":"298046866ca38309075216d512bb7e4a3ba43593d699f93fe860b67059e41320","properties":"{}","qos":1,"retain":1,"seq":10,"topic":"lab/v1/last/rotor-1"}],"run":"run-5","sequence":5,"stream":"rotor-1","supersedes":null}','b387bd8479fad0fd257f31b312f74629379d15b6a6d340468a4041d5841ecc41','13bfb3bed6e5e7b774e82151b955b22e8fb85068cf95896dce5b1035b62fff3b');
INSERT INTO "audit" VALUES(25,1760000070000000000,'daemon','run_ended','run-5','{"ended_utc_ns":1760000070000000000,"journal_digest":"e181264db8abd7dc7a81428d03ce14438dd79d322bd28dd9a2eac897769fed41","motor":"still","result_digest":"298046866ca38309075216d512bb7e4a3ba43593d699f93fe860b67059e41320"}','13bfb3bed6e5e7b774e82151b955b22e8fb85068cf95896dce5b1035b62fff3b','6d9e90dcd2a8507875100bac27e392354401f8294ffb45ee744c430843775955');
INSERT INTO "audit" VALUES(26,1760000000000000000,'daemon','health_noted','run-5','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','6d9e90dcd2a8507875100bac27e392354401f8294ffb45ee744c430843775955','e12d60c89c5e617b48fe3499cf4cf3758c453daad4a022856fd7615630bd9621');
INSERT INTO "audit" VALUES(27,1760000000000000000,'m.keeper','run_started','run-6','{"companions":"[\"bath-probe\"]","fill":"1","header_digest":"9483c652d96f16dd1da2c791d68ceddf13845b373bf7d20609cc6e0c1da4683c","instrument":"rotor-1","lot":"L7","method_digest":"94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f","method_id":"glaze-flow","method_version":"1","operator":"m.keeper","product":"celadon glaze","replicate":1,"sample":"GL-0412","sampled_at":"","simulated":1}','e12d60c89c5e617b48fe3499cf4cf3758c453daad4a022856fd7615630bd9621','2b40406268de9899c8f63562ac4709dd2aeaa897ec5faf889be3594ac812997a');
INSERT INTO "audit" VALUES(28,1760000006000000000,'m.keeper','run_concluded','run-6','{"outcome":"complete","reason":"last rule met","result":"result-6"}','2b40406268de9899c8f63562ac4709dd2aeaa897ec5faf889be3594ac812997a','79f06ba374adb9019a1b9462ea9e964f996231777579c937a41bad9b7835fc1c');
INSERT INTO "audit" VALUES(29,1760000006000000000,'m.keeper','result_stored','result-6','{"digest":"3ad8cbad9177eb1410aecc292a24b230a01bd4c5b023c2aa92dba431f549ad21","epoch":1,"journal_digest":"c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc","kept":"9f6c8f5abd64fb874eec2934b40420c27c9f5e44afebc28b3e8ed8d5f883e571","messages":[{"id":"result-6","payload":"3ad8cbad9177eb1410aecc292a24b230a01bd4c5b023c2aa92dba431f549ad21","properties":"{}","qos":1,"retain":0,"seq":11,"topic":"lab/v1/result/rotor-1"},{"id":"result-6","payload":"3ad8cbad9177eb1410aecc292a24b230a01bd4c5b023c2aa92dba431f549ad21","properties":"{}","qos":1,"retain":1,"seq":12,"topic":"lab/v1/last/rotor-1"}],"run":"run-6","sequence":6,"stream":"rotor-1","supersedes":null}','79f06ba374adb9019a1b9462ea9e964f996231777579c937a41bad9b7835fc1c','0a8cb1b7d2655f77976a9e135e9379afb86a7396a2cdd3756fa060877372cd39');
INSERT INTO "audit" VALUES(30,1760000070000000000,'daemon','run_ended','run-6','{"ended_utc_ns":1760000070000000000,"journal_digest":"38bdf0a61ab5e6dc4c883514ef888b70545630690a472bf9e1fdf3501d677924","motor":"still","result_digest":"3ad8cbad9177eb1410aecc292a24b230a01bd4c5b023c2aa92dba431f549ad21"}','0a8cb1b7d2655f77976a9e135e9379afb86a7396a2cdd3756fa060877372cd39','c7b14ef9b24010d2955e8ac701f0599aa83f42e3c1e8e947379075a4b59a80df');
INSERT INTO "audit" VALUES(31,1760000000000000000,'daemon','health_noted','run-6','{"digest":"1ab5abd70998f8129487582e4af81c506cd819ca7f904fab4f5f7e9946e3c2c1","instrument":"rotor-1"}','c7b14ef9b24010d2955e8ac701f0599aa83f42e3c1e8e947379075a4b59a80df','906827339f7a89ea495844ab108e31bfd2985808de27b222b4271b06cc89d534');
INSERT INTO "audit" VALUES(32,1760000100000000000,'daemon','message_derived','result-1','{"messages":[{"id":"curve-1","payload":"46c34ab65ce29de0fc0186b075a5d6b3c4821d9cf24edc5d7dd55d2cb6272e91","properties":"{}","qos":1,"retain":0,"seq":13,"topic":"lab/v1/curve/rotor-1"}]}','906827339f7a89ea495844ab108e31bfd2985808de27b222b4271b06cc89d534','31b2e0845bd48cd60a5cc824f6ca78c112a4a523aed46cc8c4d591382af99a5c');
INSERT INTO "audit" VALUES(33,1760000101000000000,'m.keeper','messages_sent_again','rotor-1','{"epoch":1,"first":1,"last":1,"messages":1}','31b2e0845bd48cd60a5cc824f6ca78c112a4a523aed46cc8c4d591382af99a5c','61276f7b560e8fa3c2985f82f72c5b327109237363e8d195015e3110fd657250');
CREATE TABLE broker_session (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    broker TEXT NOT NULL,
    known_utc_ns INTEGER NOT NULL,
    open INTEGER NOT NULL CHECK (open IN (0, 1))
) STRICT;
INSERT INTO "broker_session" VALUES(1,'127.0.0.1:1883 bench-1',1760000100000000000,1);
CREATE TABLE health (
    run TEXT PRIMARY KEY REFERENCES runs (id),
    instrument TEXT NOT NULL,
    utc_ns INTEGER NOT NULL,
    data TEXT NOT NULL CHECK (json_valid(data))
) STRICT;
INSERT INTO "health" VALUES('run-1','rotor-1',1760000000000000000,'{"zero": 0.1}');
INSERT INTO "health" VALUES('run-2','rotor-1',1760000000000000000,'{"zero": 0.1}');
INSERT INTO "health" VALUES('run-3','rotor-1',1760000000000000000,'{"zero": 0.1}');
INSERT INTO "health" VALUES('run-4','rotor-1',1760000000000000000,'{"zero": 0.1}');
INSERT INTO "health" VALUES('run-5','rotor-1',1760000000000000000,'{"zero": 0.1}');
INSERT INTO "health" VALUES('run-6','rotor-1',1760000000000000000,'{"zero": 0.1}');
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
INSERT INTO "journal" VALUES('run-1',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-1',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD710417CC8B8F38491900200369413C1','bc84e96b0b7bb6b355842cc4473adccd5255ba1bb1430961f9ca0558a9ca45e5');
INSERT INTO "journal" VALUES('run-2',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-2',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD708413CD55D9CC448480100127011C5','9aefba7ef6ee850fc40dcdd50c92d41db563a15f474dd43802b0449bd954b14d');
INSERT INTO "journal" VALUES('run-3',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-3',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD71841880996C93312520000DDEB0F15','9216c8cbf707c6d94af2076ce64aec4ca02dd268437dae060bef25d7eee3dde8');
INSERT INTO "journal" VALUES('run-4',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-4',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD70441F42DD4D9CA48480100119111C3','fbec907c68587ba172802cdad7ef3e1b62cb3ad6a7a9f890f936d53d1bd4e39b');
INSERT INTO "journal" VALUES('run-5',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-5',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD71441D4CEFD7982919002002F15135F','e181264db8abd7dc7a81428d03ce14438dd79d322bd28dd9a2eac897769fed41');
INSERT INTO "journal" VALUES('run-6',0,0,0,1,X'7801636080017120A35AA92027314FC94AA15A2927332FBB18C88A8EADAD65CA62D101007E080864','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "journal" VALUES('run-6',1,1000000000,1000000000,2,X'78016364603835CB9A0108F881B8A8344FD70C4164DC68F36324A40000140711D7','38bdf0a61ab5e6dc4c883514ef888b70545630690a472bf9e1fdf3501d677924');
CREATE TABLE kept (
    run TEXT NOT NULL REFERENCES runs (id),
    idx INTEGER NOT NULL,
    value TEXT NOT NULL CHECK (json_valid(value)),
    PRIMARY KEY (run, idx)
) STRICT;
INSERT INTO "kept" VALUES('run-1',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-1',1,'{"mean":2}');
INSERT INTO "kept" VALUES('run-2',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-2',1,'{"mean":2}');
INSERT INTO "kept" VALUES('run-3',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-3',1,'{"mean":2}');
INSERT INTO "kept" VALUES('run-4',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-4',1,'{"mean":2}');
INSERT INTO "kept" VALUES('run-5',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-5',1,'{"mean":2}');
INSERT INTO "kept" VALUES('run-6',0,'{"mean":1}');
INSERT INTO "kept" VALUES('run-6',1,'{"mean":2}');
CREATE TABLE meta (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    source TEXT NOT NULL,
    epoch INTEGER NOT NULL CHECK (epoch > 0),
    created_utc_ns INTEGER NOT NULL,
    restored_utc_ns INTEGER
) STRICT;
INSERT INTO "meta" VALUES(1,'3a314ceb-03d0-48a3-92eb-5d4681fb4b6e',1,1760000000000000000,NULL);
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
    payload BLOB NOT NULL,
    properties TEXT NOT NULL CHECK (json_valid(properties)),
    created_utc_ns INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'acknowledged', 'refused')),
    acknowledged_utc_ns INTEGER,
    quarantined INTEGER NOT NULL DEFAULT 0 CHECK (quarantined IN (0, 1)),
    refused_utc_ns INTEGER,
    again_utc_ns INTEGER
) STRICT;
INSERT INTO "outbox" VALUES(1,'result-1','result-1','rotor-1',1,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D31222C202273657175656E6365223A20312C202261756469745F68656164223A202236386263633063366261356661383663386237643061326533333836613536373739386165346333333137306333393632346235616532373562653439616336222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000001000000000,1,'','waiting',NULL,0,NULL,1760000101000000000);
INSERT INTO "outbox" VALUES(2,'result-1','result-1','rotor-1',1,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D31222C202273657175656E6365223A20312C202261756469745F68656164223A202236386263633063366261356661383663386237643061326533333836613536373739386165346333333137306333393632346235616532373562653439616336222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000001000000000,1,'','acknowledged',1760000100000000000,0,NULL,NULL);
INSERT INTO "outbox" VALUES(3,'result-2','result-2','rotor-1',2,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D32222C202273657175656E6365223A20322C202261756469745F68656164223A202236323965386466313733363639616561313663306131336236623135343832616230313664323361333836656236343965616639666239326637653162383661222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000002000000000,1,'','acknowledged',1760000102000000000,0,NULL,NULL);
INSERT INTO "outbox" VALUES(4,'result-2','result-2','rotor-1',2,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D32222C202273657175656E6365223A20322C202261756469745F68656164223A202236323965386466313733363639616561313663306131336236623135343832616230313664323361333836656236343965616639666239326637653162383661222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000002000000000,1,'not sent: a newer one of this topic took its place','acknowledged',NULL,0,1760000100000000000,NULL);
INSERT INTO "outbox" VALUES(5,'result-3','result-3','rotor-1',3,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D33222C202273657175656E6365223A20332C202261756469745F68656164223A202230643331656563333361636236616166343863373163653234383734616666643934333734383465633162393235646163613836373863353535366434386334222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000003000000000,1,'Not authorized (code 135)','refused',NULL,0,1760000100000000000,NULL);
INSERT INTO "outbox" VALUES(6,'result-3','result-3','rotor-1',3,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D33222C202273657175656E6365223A20332C202261756469745F68656164223A202230643331656563333361636236616166343863373163653234383734616666643934333734383465633162393235646163613836373863353535366434386334222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000003000000000,2,'','acknowledged',1760000103000000000,0,NULL,NULL);
INSERT INTO "outbox" VALUES(7,'result-4','result-4','rotor-1',4,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D34222C202273657175656E6365223A20342C202261756469745F68656164223A202230653764656561326433383133613535653838306532633531356530656566643161396235666363656334363734653766303838313163333938326339663365222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000004000000000,2,'Not authorized (code 135)','refused',NULL,0,1760000101000000000,NULL);
INSERT INTO "outbox" VALUES(8,'result-4','result-4','rotor-1',4,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D34222C202273657175656E6365223A20342C202261756469745F68656164223A202230653764656561326433383133613535653838306532633531356530656566643161396235666363656334363734653766303838313163333938326339663365222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000004000000000,1,'','acknowledged',1760000103000000000,0,NULL,NULL);
INSERT INTO "outbox" VALUES(9,'result-5','result-5','rotor-1',5,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D35222C202273657175656E6365223A20352C202261756469745F68656164223A202262333837626438343739666164306664323537663331623331326637343632393337396431356236613664333430343638613430343164353834316563633431222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000005000000000,1,'Packet too large (code 149)','refused',NULL,1,1760000100000000000,NULL);
INSERT INTO "outbox" VALUES(10,'result-5','result-5','rotor-1',5,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D35222C202273657175656E6365223A20352C202261756469745F68656164223A202262333837626438343739666164306664323537663331623331326637343632393337396431356236613664333430343638613430343164353834316563633431222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000005000000000,0,'','waiting',NULL,0,NULL,NULL);
INSERT INTO "outbox" VALUES(11,'result-6','result-6','rotor-1',6,'lab/v1/result/rotor-1',1,0,X'7B2272756E223A202272756E2D36222C202273657175656E6365223A20362C202261756469745F68656164223A202237396630366261333734616462393031396131623934363265613965393634663939363233313737373537396339333761343162616439623738333566633163222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000006000000000,0,'changed after it was stored: it does not agree with the audit trail','refused',NULL,1,1760000100000000000,NULL);
INSERT INTO "outbox" VALUES(12,'result-6','result-6','rotor-1',6,'lab/v1/last/rotor-1',1,1,X'7B2272756E223A202272756E2D36222C202273657175656E6365223A20362C202261756469745F68656164223A202237396630366261333734616462393031396131623934363265613965393634663939363233313737373537396339333761343162616439623738333566633163222C20226A6F75726E616C5F646967657374223A202263356433643332653865353263666361333738343537386137363836386235383162636361376636613833386231313766383235386263366661653934366263227D','{}',1760000006000000000,0,'','waiting',NULL,0,NULL,NULL);
INSERT INTO "outbox" VALUES(13,'curve-1','result-1','rotor-1',1,'lab/v1/curve/rotor-1',1,0,X'7B226375727665223A317D','{}',1760000100000000000,0,'','waiting',NULL,0,NULL,NULL);
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
INSERT INTO "results" VALUES('result-1','run-1',1,'rotor-1',1,'{"run": "run-1", "sequence": 1, "audit_head": "68bcc0c6ba5fa86c8b7d0a2e3386a567798ae4c33170c39624b5ae275be49ac6", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000001000000000,NULL,3,'68bcc0c6ba5fa86c8b7d0a2e3386a567798ae4c33170c39624b5ae275be49ac6','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "results" VALUES('result-2','run-2',1,'rotor-1',2,'{"run": "run-2", "sequence": 2, "audit_head": "629e8df173669aea16c0a13b6b15482ab016d23a386eb649eaf9fb92f7e1b86a", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000002000000000,NULL,8,'629e8df173669aea16c0a13b6b15482ab016d23a386eb649eaf9fb92f7e1b86a','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "results" VALUES('result-3','run-3',1,'rotor-1',3,'{"run": "run-3", "sequence": 3, "audit_head": "0d31eec33acb6aaf48c71ce24874affd9437484ec1b925daca8678c5556d48c4", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000003000000000,NULL,13,'0d31eec33acb6aaf48c71ce24874affd9437484ec1b925daca8678c5556d48c4','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "results" VALUES('result-4','run-4',1,'rotor-1',4,'{"run": "run-4", "sequence": 4, "audit_head": "0e7deea2d3813a55e880e2c515e0eefd1a9b5fccec4674e7f08811c3982c9f3e", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000004000000000,NULL,18,'0e7deea2d3813a55e880e2c515e0eefd1a9b5fccec4674e7f08811c3982c9f3e','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "results" VALUES('result-5','run-5',1,'rotor-1',5,'{"run": "run-5", "sequence": 5, "audit_head": "b387bd8479fad0fd257f31b312f74629379d15b6a6d340468a4041d5841ecc41", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000005000000000,NULL,23,'b387bd8479fad0fd257f31b312f74629379d15b6a6d340468a4041d5841ecc41','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
INSERT INTO "results" VALUES('result-6','run-6',1,'rotor-1',6,'{"run": "run-6", "sequence": 6, "audit_head": "79f06ba374adb9019a1b9462ea9e964f996231777579c937a41bad9b7835fc1c", "journal_digest": "c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc"}',1760000006000000000,NULL,28,'79f06ba374adb9019a1b9462ea9e964f996231777579c937a41bad9b7835fc1c','c5d3d32e8e52cfca3784578a76868b581bcca7f6a838b117f8258bc6fae946bc');
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
INSERT INTO "runs" VALUES('run-1','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('run-2','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('run-3','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('run-4','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('run-5','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
INSERT INTO "runs" VALUES('run-6','rotor-1','["bath-probe"]','GL-0412','celadon glaze','L7','1',1,'','glaze-flow','1','94a0abd4fb0cabb1438dbb8fe36228ecb9833eab1a5afa6676697aa7a0e5192f','m.keeper',1,'ended','complete','last rule met','still',1760000000000000000,1760000070000000000,'{"plan": {"links": []}}');
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
CREATE INDEX health_by_instrument ON health (instrument, utc_ns);
CREATE INDEX audit_verifications ON audit (subject, seq) WHERE what = 'verification';
CREATE INDEX results_by_stream ON results (stream, audit_seq, id, run);
CREATE INDEX outbox_by_acknowledgement ON outbox (acknowledged_utc_ns) WHERE acknowledged_utc_ns IS NOT NULL;
CREATE INDEX outbox_retained ON outbox (topic, seq) WHERE retain;
CREATE INDEX outbox_refused ON outbox (topic, seq) WHERE state = 'refused';
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
CREATE TRIGGER outbox_frozen BEFORE UPDATE OF id, result, stream, sequence, topic, qos, retain, payload ON outbox
BEGIN SELECT RAISE(ABORT, 'a message is frozen when it is committed'); END;
COMMIT;
