-- +goose Up

-- Entries may say what lifts the hold of a condition, and may be of service orders. A replica that knows nothing of that would read a
-- report without what lifts it, and lift its hold by something else. The histories have another name, so that such a replica stops.
alter table p_histories rename to p_ledger;
alter table p_ledger rename constraint p_histories_pkey to p_ledger_pkey;
