-- Who may do what in the database. 'strandline migrate' does all of this by itself when its user may; run this beforehand where a
-- database administrator makes roles and nobody else does. Change the passwords and, if you like, the names of the two login roles.

-- Owns the schemas and everything in them; used by 'strandline migrate' only. With the three roles below made here it needs no
-- CREATEROLE; it has to be able to grant them.
create role strandline_admin login password 'change me' nosuperuser nobypassrls;

-- The services act as these. They own nothing, and row-level security binds them: a service refuses to start as a role that it
-- would not bind. History's role can insert and select, not update or delete.
create role strandline_registry nologin nosuperuser nobypassrls nocreatedb nocreaterole;
create role strandline_history nologin nosuperuser nobypassrls nocreatedb nocreaterole;
create role strandline_compliance nologin nosuperuser nobypassrls nocreatedb nocreaterole;
grant strandline_registry, strandline_history, strandline_compliance to strandline_admin with admin option;

-- What the services log in as: it may become any of the three, and is nothing itself. One login role per service is stricter still.
create role strandline_app login password 'change me too' noinherit nosuperuser nobypassrls;
grant strandline_registry, strandline_history, strandline_compliance to strandline_app;

-- In Strandline's database, as a superuser or its owner. The admin makes the schemas of the services; the extension (btree_gist) is a
-- trusted one, which whoever may create in the database may create.
do $$ begin
	execute format('grant create on database %I to strandline_admin', current_database());
end $$;
