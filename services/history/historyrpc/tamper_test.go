package historyrpc_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// Whatever somebody with the superuser's rights does to the stored ledger, short of making a new chain and head, is found, with the
// first entry that does not fit. (The case of a new chain is what signed heads are for; see chain.go.)
func TestTampering(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 1)
	_, others := r.fleet(orgB, 1)
	c := r.client(orgA)
	appendEntries(t, c, orgA, everyShape(units[0], shop)...) // 12
	hot := hours(time.Hour)
	hot.IntakeCelsius, hot.Estimated = proto.Int32(41), true
	appendEntries(t, c, orgA, used(units[0], start, hot), dives(units[0], start, 2))
	appendEntries(t, r.client(orgB), orgB, dives(others[0], start, 1))
	verify(t, c, orgA, 14)
	conn := r.admin()

	damagedAt := func(name string, first int) {
		t.Helper()
		_, err := c.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: "orgs/" + orgA})
		st := wantError(t, err, codes.DataLoss, "LEDGER_DAMAGED")
		if got := meta(st, "sequence"); got != fmt.Sprint(first) {
			t.Errorf("%s: found at entry %s, want %d: %s", name, got, first, st.Message())
		}
	}
	// One bit of every byte of two columns of a row in turn, and back.
	for _, part := range []struct {
		column string
		row    int
	}{{"body", 5}, {"digest", 5}, {"body", 13}} {
		column, row := part.column, part.row
		var n int
		if err := conn.QueryRow(t.Context(), `select length(`+column+`) from history.entries where sequence = $1 and recorder = 'person-of-`+orgA+`'`, row).Scan(&n); err != nil {
			t.Fatal(err)
		}
		for i := range n {
			flip := fmt.Sprintf(`update history.entries set %s = set_byte(%[1]s, %d, get_byte(%[1]s, %[2]d) # %d) where sequence = %d and recorder = 'person-of-%s'`, column, i, 1<<(i%8), row, orgA)
			for _, damaged := range []bool{true, false} {
				if _, err := conn.Exec(t.Context(), flip); err != nil {
					t.Fatal(err)
				}
				if damaged {
					damagedAt(fmt.Sprintf("%s byte %d of row %d", column, i, row), row)
				}
			}
		}
	}
	verify(t, c, orgA, 14)

	type change struct {
		name, sql string
		first     int
	}
	changes := []change{
		{"entry id", `update history.entries set entry_id = gen_random_uuid() where sequence = 3`, 3},
		{"unit", `update history.entries set unit_id = gen_random_uuid() where sequence = 3`, 3},
		{"shop", `update history.entries set shop = 'elsewhere' where sequence = 3`, 3},
		{"kind", `update history.entries set kind = 2 where sequence = 3`, 3},
		{"occurred", `update history.entries set occurred = occurred + interval '1 microsecond' where sequence = 3`, 3},
		{"recorded", `update history.entries set recorded = recorded - interval '1 microsecond' where sequence = 3`, 3},
		{"corrects", `update history.entries set corrects = gen_random_uuid() where sequence = 8`, 8},
		{"recorder", `update history.entries set recorder = 'nobody' where sequence = 3`, 3},
		{"the first deleted", `delete from history.entries where sequence = 1`, 1},
		{"one deleted", `delete from history.entries where sequence = 6`, 6},
		{"the last deleted", `delete from history.entries where sequence = 14`, 14},
		{"all deleted", `delete from history.entries`, 1},
		{"one deleted, the rest renumbered", `with gone as (delete from history.entries where sequence = 6 returning 1)
			update history.entries set sequence = -sequence + 1 where sequence > 6 and exists (select from gone)`, 6},
		{"two swapped", `update history.entries set sequence = case sequence when 4 then -9 when 9 then -4 end where sequence in (4, 9)`, 4},
		{"one inserted at the end", `insert into history.entries select org_id, 15, gen_random_uuid(), unit_id, shop, kind, occurred, recorded, corrects, recorder, body, digest from history.entries where sequence = 14`, 15},
		{"head behind", `update history.heads set number = 13`, 14},
		{"head ahead", `update history.heads set number = 15`, 15},
		{"head's digest", `update history.heads set digest = set_byte(digest, 0, get_byte(digest, 0) # 1)`, 14},
		{"head's instant", `update history.heads set recorded = recorded + interval '1 second'`, 14},
		{"head gone", `delete from history.heads`, 1},
	}
	for _, ch := range changes {
		for _, sql := range []string{
			`create table history.kept_entries as table history.entries`, `create table history.kept_heads as table history.heads`,
			`alter table history.entries drop constraint entries_sequence_positive`,
			strings.Replace(ch.sql, "where ", "where org_id = (select org_id from history.heads where org = '"+orgA+"') and ", 1),
			`update history.entries set sequence = -sequence where sequence < 0`,
		} {
			tag, err := conn.Exec(t.Context(), sql)
			if err != nil {
				t.Fatalf("%s: %s: %v", ch.name, sql, err)
			}
			if sql[:6] != "create" && sql[:5] != "alter" && tag.RowsAffected() == 0 && !strings.Contains(sql, "-sequence where") {
				t.Fatalf("%s changed nothing", ch.name)
			}
		}
		damagedAt(ch.name, ch.first)
		for _, sql := range []string{
			`truncate history.entries, history.heads`, `insert into history.entries table history.kept_entries`, `insert into history.heads table history.kept_heads`,
			`drop table history.kept_entries, history.kept_heads`, `alter table history.entries add constraint entries_sequence_positive check (sequence > 0)`,
		} {
			if _, err := conn.Exec(t.Context(), sql); err != nil {
				t.Fatalf("%s: %s: %v", ch.name, sql, err)
			}
		}
	}
	verify(t, c, orgA, 14)
	verify(t, r.client(orgB), orgB, 1)
	if got, err := c.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: "orgs/" + orgA}); err != nil || got.GetEntryCount() != 14 {
		t.Errorf("%v, %v", got, err)
	}
	// An org without entries has nothing to be damaged.
	verify(t, r.client("empty"), "empty", 0)
}
