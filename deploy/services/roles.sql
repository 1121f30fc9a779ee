-- Two roles: the owner makes and changes tables; the application reads, writes and appends.
-- Run once as the server's administrator, with passwords of your own in place of these words.
CREATE ROLE interspace_owner LOGIN PASSWORD 'REPLACE-THE-OWNERS';
CREATE ROLE interspace_app LOGIN PASSWORD 'REPLACE-THE-APPLICATIONS';
CREATE DATABASE interspace OWNER interspace_owner ENCODING 'UTF8' TEMPLATE template0;
REVOKE ALL ON DATABASE interspace FROM PUBLIC;
GRANT CONNECT ON DATABASE interspace TO interspace_app;
