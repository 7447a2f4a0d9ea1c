CREATE TABLE public.alembic_version (
    version_num character varying(32) NOT NULL
);
CREATE TABLE public.entry (
    sequence bigint NOT NULL,
    inspection character varying(200) NOT NULL,
    kind character varying(40) NOT NULL,
    subject character varying(700) NOT NULL,
    version integer NOT NULL,
    author character varying(200) NOT NULL,
    at character varying(40) NOT NULL,
    reason text NOT NULL,
    body text NOT NULL,
    previous character varying(64) NOT NULL,
    sha256 character varying(64) NOT NULL
);
CREATE TABLE public.finding (
    inspection character varying(200) NOT NULL,
    capture character varying(64) NOT NULL,
    identity character varying(500) NOT NULL,
    kind character varying(40) NOT NULL,
    look character varying(700) NOT NULL,
    stage character varying(500) NOT NULL,
    item character varying(500) NOT NULL,
    zone character varying(500) NOT NULL,
    damage character varying(500) NOT NULL,
    status character varying(20) NOT NULL,
    outcome character varying(40) NOT NULL
);
CREATE TABLE public.head (
    id integer NOT NULL,
    sequence bigint NOT NULL,
    sha256 character varying(64) NOT NULL
);
CREATE TABLE public.inspection (
    identity character varying(200) NOT NULL,
    "order" character varying(500) NOT NULL,
    engine character varying(500) NOT NULL,
    engine_type character varying(500) NOT NULL,
    state character varying(20) NOT NULL,
    outcome character varying(40) NOT NULL,
    looks integer NOT NULL,
    looks_left integer NOT NULL,
    findings integer NOT NULL,
    invented boolean NOT NULL,
    begun_at character varying(40) NOT NULL,
    changed_at character varying(40) NOT NULL
);
CREATE TABLE public.object (
    sha256 character varying(64) NOT NULL,
    bytes bigint NOT NULL
);
INSERT INTO public.alembic_version VALUES ('0001');
INSERT INTO public.entry VALUES (1, '', 'person', 'C', 1, 'C', '2026-03-14T09:00:01.000000+00:00', '', '{"name":"administrator C","roles":["administrator"]}', '0000000000000000000000000000000000000000000000000000000000000000', '554a8044a18112192b3c599d9ca47dfd99d8e7c042e91636293789468844c77b');
INSERT INTO public.entry VALUES (2, '', 'person', 'A', 1, 'C', '2026-03-14T09:00:02.000000+00:00', '', '{"name":"technician A","roles":["technician"]}', '554a8044a18112192b3c599d9ca47dfd99d8e7c042e91636293789468844c77b', 'fa827870fd419cd5f03771866b0c4637a28faa99834f17baf1ec16db67fffeb3');
INSERT INTO public.entry VALUES (3, '', 'person', 'B', 1, 'C', '2026-03-14T09:00:03.000000+00:00', '', '{"certificate":"-----BEGIN CERTIFICATE-----\nMIIBajCCARGgAwIBAgIUBhwfvpSzbtp3meQbKNBWpTjEXlYwCgYIKoZIzj0EAwIw\nFTETMBEGA1UEAwwKcmV2aWV3ZXIgQjAeFw0yNjAzMTMyMzU1MDBaFw0zNjAzMTQw\nMDAwMDBaMBUxEzARBgNVBAMMCnJldmlld2VyIEIwWTATBgcqhkjOPQIBBggqhkjO\nPQMBBwNCAASMvrm8g3S3Ye+CW7iI3VkawzSLimnjSkpknxCtk5RBH2IcnmF8akg4\n7KPqojv+vpDu7UOpfbdt/33+cqIuoijloz8wPTAMBgNVHRMBAf8EAjAAMA4GA1Ud\nDwEB/wQEAwIGwDAdBgNVHQ4EFgQURI28FTopWYxWcUHFUnqlfC/EDgwwCgYIKoZI\nzj0EAwIDRwAwRAIgUhAjkTjfjgyAxSvNZmBLRhGTNecQknRrj2urZ423IFACIEW+\nBW5Woi6jZ/AWBwOxgE+zKyXJmDhoRLiltkFbYuO7\n-----END CERTIFICATE-----\n","name":"reviewer B","public_key":"954486f75946513378329b90faec5b1c955cffcf802a3640b06b85b9a873f380","roles":["reviewer"],"scope":"compressor","valid_until":"2027-01-01"}', 'fa827870fd419cd5f03771866b0c4637a28faa99834f17baf1ec16db67fffeb3', '385fb2e104032d50c4e776422bc200226658268fbd88c6b6525ce7d4b5d6025b');
INSERT INTO public.entry VALUES (4, '', 'intake', 'd4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 1, 'A', '2026-03-14T09:00:04.000000+00:00', '', '{"files":1,"kind":"photo","measurable":false,"name":"photo.png","sha256":"d4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285"}', '385fb2e104032d50c4e776422bc200226658268fbd88c6b6525ce7d4b5d6025b', '2b2ea3a407a1806605262257ba9b2ac0e1912a75f9988adbd850f6401a110e70');
INSERT INTO public.entry VALUES (5, 'W-1', 'inspection', 'W-1', 1, 'A', '2026-03-14T09:00:05.000000+00:00', '', '{"card":{"engine":{"cycles":2210,"hours":8120,"serial":"D-0007","type":"invented small gas turbine"},"format":"fringewise.workcard/1","order":"W-2041","reason":"scheduled","stage":[{"item":"blade","items":4,"looks":[{"name":"pressure side","port":"P4"},{"name":"leading edge","port":"P4"}],"name":"compressor 3","part":"compressor 3 blade","viewed":"aft looking forward"}]},"invented":true,"limits_sha256":null,"technician":"A"}', '2b2ea3a407a1806605262257ba9b2ac0e1912a75f9988adbd850f6401a110e70', 'f8600eed22604f714d597740d300d38ea3422c3c29ed2254868cafb57d9de52c');
INSERT INTO public.entry VALUES (6, 'W-1', 'look', 'compressor 3 / 1 / pressure side', 1, 'A', '2026-03-14T09:00:06.000000+00:00', '', '{"evidence":[],"item":"1","look":"pressure side","reason":null,"stage":"compressor 3","state":"done, nothing found"}', 'f8600eed22604f714d597740d300d38ea3422c3c29ed2254868cafb57d9de52c', 'fffaafecefd4315f142dc10604a6d68c1f5cbb2f028bc4cf9912c0a1f57949df');
INSERT INTO public.entry VALUES (7, 'W-1', 'look', 'compressor 3 / 1 / leading edge', 1, 'A', '2026-03-14T09:00:07.000000+00:00', '', '{"evidence":[],"item":"1","look":"leading edge","reason":null,"stage":"compressor 3","state":"done, nothing found"}', 'fffaafecefd4315f142dc10604a6d68c1f5cbb2f028bc4cf9912c0a1f57949df', 'd8b29d7ad6b6a3ad94c6c9e5913fd7142cc7d8c38ca38425e8cc3fc2a205b6bc');
INSERT INTO public.entry VALUES (8, 'W-1', 'look', 'compressor 3 / 2 / pressure side', 1, 'A', '2026-03-14T09:00:08.000000+00:00', '', '{"evidence":[],"item":"2","look":"pressure side","reason":null,"stage":"compressor 3","state":"done, nothing found"}', 'd8b29d7ad6b6a3ad94c6c9e5913fd7142cc7d8c38ca38425e8cc3fc2a205b6bc', '2ad6b5de2185cfbb8f421eb0d701e42faa62b14e7ce577fb31ea783a43ffe366');
INSERT INTO public.entry VALUES (9, 'W-1', 'look', 'compressor 3 / 2 / leading edge', 1, 'A', '2026-03-14T09:00:09.000000+00:00', '', '{"evidence":[],"item":"2","look":"leading edge","reason":null,"stage":"compressor 3","state":"done, nothing found"}', '2ad6b5de2185cfbb8f421eb0d701e42faa62b14e7ce577fb31ea783a43ffe366', '7c5beb30055960756032afde8e609e9897323efede3bb4a10ab65d33befd3579');
INSERT INTO public.entry VALUES (10, 'W-1', 'look', 'compressor 3 / 3 / pressure side', 1, 'A', '2026-03-14T09:00:10.000000+00:00', '', '{"evidence":[],"item":"3","look":"pressure side","reason":null,"stage":"compressor 3","state":"done, nothing found"}', '7c5beb30055960756032afde8e609e9897323efede3bb4a10ab65d33befd3579', '41a7585cb343f0a90e551ec528d846f3e1bfcfcdbc571caa4431e7f62639cb7b');
INSERT INTO public.entry VALUES (11, 'W-1', 'look', 'compressor 3 / 3 / leading edge', 1, 'A', '2026-03-14T09:00:11.000000+00:00', '', '{"evidence":[],"item":"3","look":"leading edge","reason":null,"stage":"compressor 3","state":"done, nothing found"}', '41a7585cb343f0a90e551ec528d846f3e1bfcfcdbc571caa4431e7f62639cb7b', '33f46c6f5857205b1367c35fb7c1ff72a0e9f684457f28dd8993fe55e61be9a0');
INSERT INTO public.entry VALUES (12, 'W-1', 'look', 'compressor 3 / 4 / pressure side', 1, 'A', '2026-03-14T09:00:12.000000+00:00', '', '{"evidence":[],"item":"4","look":"pressure side","reason":null,"stage":"compressor 3","state":"done, nothing found"}', '33f46c6f5857205b1367c35fb7c1ff72a0e9f684457f28dd8993fe55e61be9a0', '1a9e644f17dbce1f1f778a69ad6d7a82454d695e21099e6523f258e7931778e3');
INSERT INTO public.entry VALUES (13, 'W-1', 'look', 'compressor 3 / 4 / leading edge', 1, 'A', '2026-03-14T09:00:13.000000+00:00', '', '{"evidence":[],"item":"4","look":"leading edge","reason":null,"stage":"compressor 3","state":"done, nothing found"}', '1a9e644f17dbce1f1f778a69ad6d7a82454d695e21099e6523f258e7931778e3', 'e0ed7e5011e2cbd38d2986eee09f350142e023e2c31a4364b69bb9538af0db3a');
INSERT INTO public.entry VALUES (14, 'W-1', 'findings', 'd4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 1, 'A', '2026-03-14T09:00:14.000000+00:00', '', '{"document":{"findings":[{"id":"F1","kind":"dent","outline_px":[[410.0,300.0],[440.0,301.0],[425.0,330.0]]}],"format":"fringewise.findings/1"},"look":"compressor 3 / 2 / pressure side","sha256":"d4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285"}', 'e0ed7e5011e2cbd38d2986eee09f350142e023e2c31a4364b69bb9538af0db3a', '0154a3a9e8a6ef7ee2224cc171a65862d86fec55b981f8f35d6f7f0d9a8ee4db');
INSERT INTO public.entry VALUES (15, 'W-1', 'findings', 'd4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 2, 'A', '2026-03-14T09:00:15.000000+00:00', 'a second one', '{"document":{"findings":[{"id":"F1","kind":"dent","outline_px":[[410.0,300.0],[440.0,301.0],[425.0,330.0]]},{"id":"F2","kind":"dent","outline_px":[[410.0,300.0],[440.0,301.0],[425.0,330.0]]}],"format":"fringewise.findings/1"},"look":"compressor 3 / 2 / pressure side","sha256":"d4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285"}', '0154a3a9e8a6ef7ee2224cc171a65862d86fec55b981f8f35d6f7f0d9a8ee4db', '652a87932959ffc36f92d78387eb06263a488a8c77e8f244124f74eeba377112');
INSERT INTO public.entry VALUES (16, 'W-1', 'submission', 'W-1', 1, 'A', '2026-03-14T09:00:16.000000+00:00', '', '{"incomplete":false,"record_sha256":"ca2d8170b07e47bd0e0d3f4ccde61fb78c564681ded1a001577b95c3f698244f","statement":null}', '652a87932959ffc36f92d78387eb06263a488a8c77e8f244124f74eeba377112', '3d0a11a7274513ecb0d8622d0b490b8d58fd6739c276deca4573255f7ed024a1');
INSERT INTO public.entry VALUES (17, 'W-1', 'signature', 'B', 1, 'B', '2026-03-14T09:00:17.000000+00:00', '', '{"incomplete":false,"public_key":"954486f75946513378329b90faec5b1c955cffcf802a3640b06b85b9a873f380","record_sha256":"62e5b50f772a721a945b487885db53e1f49c66478a9f1bad1208d2bb28ebc62c","signature":"e60f56b5542192564e164a1ec1eb6534a3c601db15014bece48a03cdf1d0ada3d4211c01084ed5cba7e8b901159e52089834ce1348e2906a9232d1e414fd7a0b","signer":"B","statement":null}', '3d0a11a7274513ecb0d8622d0b490b8d58fd6739c276deca4573255f7ed024a1', '6a11bd6c9a1b23ae3b2baf95683ad49dae00f7bbc00d8f2b48fa89cb9f975876');
INSERT INTO public.entry VALUES (18, 'W-1', 'doubt', 'doubt 1', 1, 'A', '2026-03-14T09:00:18.000000+00:00', '', '{"words":"the head fell"}', '6a11bd6c9a1b23ae3b2baf95683ad49dae00f7bbc00d8f2b48fa89cb9f975876', '166fe02e9f8d36c4abda6ed2b99de2d0bd07eec71760afb25e8616eb7f9ab3bd');
INSERT INTO public.finding VALUES ('W-1', 'd4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 'F1', 'dent', 'compressor 3 / 2 / pressure side', 'compressor 3', '2', '', '', '', '');
INSERT INTO public.finding VALUES ('W-1', 'd4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 'F2', 'dent', 'compressor 3 / 2 / pressure side', 'compressor 3', '2', '', '', '', '');
INSERT INTO public.head VALUES (1, 18, '166fe02e9f8d36c4abda6ed2b99de2d0bd07eec71760afb25e8616eb7f9ab3bd');
INSERT INTO public.inspection VALUES ('W-1', 'W-2041', 'D-0007', 'invented small gas turbine', 'signed', '', 8, 0, 2, true, '2026-03-14T09:00:05.000000+00:00', '2026-03-14T09:00:18.000000+00:00');
INSERT INTO public.object VALUES ('d4e24d749a4fe2f161af2de913c0402b04e3ae287dafd0f9dbfa4a5c56c69285', 7);
ALTER TABLE ONLY public.alembic_version
    ADD CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num);
ALTER TABLE ONLY public.entry
    ADD CONSTRAINT pk_entry PRIMARY KEY (sequence);
ALTER TABLE ONLY public.finding
    ADD CONSTRAINT pk_finding PRIMARY KEY (inspection, capture, identity);
ALTER TABLE ONLY public.head
    ADD CONSTRAINT pk_head PRIMARY KEY (id);
ALTER TABLE ONLY public.inspection
    ADD CONSTRAINT pk_inspection PRIMARY KEY (identity);
ALTER TABLE ONLY public.object
    ADD CONSTRAINT pk_object PRIMARY KEY (sha256);
ALTER TABLE ONLY public.entry
    ADD CONSTRAINT uq_entry_inspection_kind_subject_version UNIQUE (inspection, kind, subject, version);
CREATE INDEX ix_entry_inspection_sequence ON public.entry USING btree (inspection, sequence);
CREATE INDEX ix_entry_kind_sequence ON public.entry USING btree (kind, sequence);
CREATE INDEX ix_finding_damage_inspection_identity ON public.finding USING btree (damage, inspection, identity);
CREATE INDEX ix_finding_inspection_identity ON public.finding USING btree (inspection, identity);
CREATE INDEX ix_finding_kind_inspection_identity ON public.finding USING btree (kind, inspection, identity);
CREATE INDEX ix_finding_outcome_inspection_identity ON public.finding USING btree (outcome, inspection, identity);
CREATE INDEX ix_finding_stage_item_inspection_identity ON public.finding USING btree (stage, item, inspection, identity);
CREATE INDEX ix_inspection_changed_at ON public.inspection USING btree (changed_at);
CREATE INDEX ix_inspection_engine_changed_at ON public.inspection USING btree (engine, changed_at);
CREATE INDEX ix_inspection_outcome_changed_at ON public.inspection USING btree (outcome, changed_at);
CREATE INDEX ix_inspection_state_changed_at ON public.inspection USING btree (state, changed_at);
