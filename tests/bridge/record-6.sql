BEGIN TRANSACTION;
CREATE TABLE befores (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR NOT NULL, 
	missing VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE drifts (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	drift INTEGER NOT NULL, 
	phase VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	point VARCHAR NOT NULL, 
	wanted VARCHAR, 
	reported VARCHAR, 
	stops FLOAT, 
	mired FLOAT, 
	percent FLOAT, 
	how VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE faults (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR, 
	topic VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE hands (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR NOT NULL, 
	level FLOAT, 
	cct FLOAT, 
	colour VARCHAR, 
	"by" VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE lights (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR NOT NULL, 
	phase VARCHAR NOT NULL, 
	stops FLOAT, 
	could VARCHAR NOT NULL, 
	how VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE lockouts (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	target VARCHAR NOT NULL, 
	phase VARCHAR NOT NULL, 
	"by" VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE quiet (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR NOT NULL, 
	action VARCHAR NOT NULL, 
	phase VARCHAR NOT NULL, 
	"left" FLOAT NOT NULL, 
	off_for FLOAT NOT NULL, 
	cut BOOLEAN NOT NULL, 
	rolling BOOLEAN NOT NULL, 
	"by" VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE requests (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	request VARCHAR NOT NULL, 
	what VARCHAR NOT NULL, 
	"by" VARCHAR NOT NULL, 
	source VARCHAR NOT NULL, 
	look VARCHAR, 
	targets VARCHAR NOT NULL, 
	force BOOLEAN NOT NULL, 
	phase VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	code INTEGER, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE rolling (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	device VARCHAR NOT NULL, 
	rolling BOOLEAN NOT NULL, 
	source VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
INSERT INTO "rolling" VALUES(1,1772395265.1,'camera',1,'report',1);
INSERT INTO "rolling" VALUES(2,1772395282.1,'camera',0,'report',1);
INSERT INTO "rolling" VALUES(3,1772395289.1,'camera',1,'report',1);
CREATE TABLE runs (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	run INTEGER NOT NULL, 
	what VARCHAR NOT NULL, 
	look VARCHAR, 
	phase VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE schema_version (
	version INTEGER NOT NULL
);
INSERT INTO "schema_version" VALUES(6);
CREATE TABLE sessions (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	session INTEGER NOT NULL, 
	phase VARCHAR NOT NULL, 
	look VARCHAR, 
	kwh FLOAT, 
	PRIMARY KEY (id)
);
INSERT INTO "sessions" VALUES(1,1772395205.1,1,'opened','day',NULL);
INSERT INTO "sessions" VALUES(2,1772395215.2,1,'ready','day',NULL);
CREATE TABLE states (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	state VARCHAR NOT NULL, 
	look VARCHAR, 
	why VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
INSERT INTO "states" VALUES(1,1772395200.05,'dark',NULL,'',NULL);
INSERT INTO "states" VALUES(2,1772395205.1,'rising','day','',1);
INSERT INTO "states" VALUES(3,1772395215.2,'ready','day','',1);
INSERT INTO "states" VALUES(4,1772395274.1,'adrift','day','',1);
CREATE TABLE steps (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	run INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	device VARCHAR NOT NULL, 
	action VARCHAR NOT NULL, 
	value VARCHAR NOT NULL, 
	phase VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE TABLE takes (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	take INTEGER NOT NULL, 
	phase VARCHAR NOT NULL, 
	device VARCHAR, 
	seconds FLOAT NOT NULL, 
	"by" VARCHAR NOT NULL, 
	off FLOAT, 
	text VARCHAR, 
	mark VARCHAR, 
	detail VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
INSERT INTO "takes" VALUES(1,1772395265.1,1,'begun',NULL,0.0,'report',0.0,'',NULL,'{"session": 1, "look": "day", "state": "ready", "lights": {"key": {"level": 64.0, "cct": 4300.0, "colour": null, "by": "report", "told": false}, "fill": {"level": 32.0, "cct": 4300.0, "colour": null, "by": "report", "told": false}}, "drift": [], "picture": null, "supplies": [], "before": null}',1);
INSERT INTO "takes" VALUES(2,1772395265.1,1,'rolls','camera',0.0,'report',0.0,'',NULL,'{}',1);
INSERT INTO "takes" VALUES(3,1772395272.1,1,'changed','key',7.0,'report',0.0,'',NULL,'{"what": "light", "level": [64.0, 32.0], "stops": -1.0}',1);
INSERT INTO "takes" VALUES(4,1772395282.1,1,'stopped','camera',17.0,'report',0.0,'',NULL,'{}',1);
INSERT INTO "takes" VALUES(5,1772395282.1,1,'ended',NULL,17.0,'report',0.0,'',NULL,'{}',1);
INSERT INTO "takes" VALUES(6,1772395288.1,1,'marked',NULL,0.0,'Ana',0.0,NULL,'good','{}',1);
INSERT INTO "takes" VALUES(7,1772395289.1,2,'begun',NULL,0.0,'report',0.0,'',NULL,'{"session": 1, "look": "day", "state": "adrift", "lights": {"key": {"level": 32.0, "cct": 4300.0, "colour": null, "by": "report", "told": false}, "fill": {"level": 32.0, "cct": 4300.0, "colour": null, "by": "report", "told": false}}, "drift": [{"device": "key", "point": "level", "stops": -1.0, "mired": null}], "picture": {"missing": ["no mark given in the room"]}, "supplies": [], "before": null}',1);
INSERT INTO "takes" VALUES(8,1772395289.1,2,'rolls','camera',0.0,'report',0.0,'',NULL,'{}',1);
INSERT INTO "takes" VALUES(9,1772395309.1,2,'going',NULL,20.0,'',0.0,'',NULL,'{}',1);
CREATE TABLE ticks (
	id INTEGER NOT NULL, 
	at FLOAT NOT NULL, 
	item VARCHAR NOT NULL, 
	phase VARCHAR NOT NULL, 
	"by" VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	session INTEGER, 
	PRIMARY KEY (id)
);
CREATE INDEX ix_requests_request ON requests (request);
CREATE INDEX ix_requests_at ON requests (at);
CREATE INDEX ix_runs_at ON runs (at);
CREATE INDEX ix_runs_run ON runs (run);
CREATE INDEX ix_steps_at ON steps (at);
CREATE INDEX ix_steps_run ON steps (run);
CREATE INDEX ix_drifts_drift ON drifts (drift);
CREATE INDEX ix_drifts_at ON drifts (at);
CREATE INDEX ix_drifts_device ON drifts (device);
CREATE INDEX ix_faults_at ON faults (at);
CREATE INDEX ix_lockouts_at ON lockouts (at);
CREATE INDEX ix_rolling_at ON rolling (at);
CREATE INDEX ix_hands_at ON hands (at);
CREATE INDEX ix_hands_device ON hands (device);
CREATE INDEX ix_lights_at ON lights (at);
CREATE INDEX ix_lights_device ON lights (device);
CREATE INDEX ix_takes_at ON takes (at);
CREATE INDEX ix_takes_take ON takes (take);
CREATE INDEX ix_quiet_at ON quiet (at);
CREATE INDEX ix_quiet_device ON quiet (device);
CREATE INDEX ix_sessions_session ON sessions (session);
CREATE INDEX ix_sessions_at ON sessions (at);
CREATE INDEX ix_states_at ON states (at);
CREATE INDEX ix_ticks_at ON ticks (at);
CREATE INDEX ix_befores_at ON befores (at);
COMMIT;
