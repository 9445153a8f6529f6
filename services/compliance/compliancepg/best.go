package compliancepg

import (
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// spare is how many units more than are wanted of a kind and size are chosen from: those with the least use left, by which most of the choice is decided.
// What is promised of them may put them in another order.
const spare = 4

// selectBest is the units of each kind and size wanted ($2, $3, and how many of the kind $4) at a shop ($5) that may be promised for a window ($6 to $7) in which so much
// use is expected ($9 to $11), as of $8, as far as what is kept for searching can tell; those with the least use left first, in the order of p_ready_fit, and no more than are
// needed. So what it costs follows what is wanted, and not what the shop has. promised_* is what was promised of them before.
const selectBest = `select f.unit_id, f.tag, f.kind, f.size, f.since, f.ok_from, f.ok_until, f.left_dives, f.left_hours, f.left_fills, f.dives, f.hours, f.fills
	from unnest($2::text[], $3::text[], $4::bigint[]) as w (kind, size, count)
	cross join lateral (
		select r.*, p.dives, p.hours, p.fills from (
			select r.* from p_ready as r
			where r.org_id = $1 and r.kind = w.kind and r.shop = $5 and (w.size = '' or r.size = w.size) and r.host_id is null and (r.retired is null or r.retired > $7)
				and (r.since is null or r.since <= $6) and r.ok_from <= $6 and (r.ok_until is null or r.ok_until > $7)
				and coalesce(r.left_dives >= $9, true) and coalesce(r.left_hours >= $10, true) and coalesce(r.left_fills >= $11, true)
			order by r.left_dives, r.left_hours, r.left_fills, r.ok_until, r.tag, r.unit_id offset 0
		) as r
		cross join lateral (
			select coalesce(bool_or(a.during && tstzrange($6, $7) or a.state = 3 and upper(a.during) <= $8), false) as taken,
				coalesce(sum(a.dives), 0)::bigint as dives, least(coalesce(sum(a.hours), 0), 9223372036854775807)::bigint as hours, coalesce(sum(a.fills), 0)::bigint as fills
			from allocations as a where a.org_id = $1 and a.unit_id = r.unit_id and a.state <= 3 and (a.state <> 1 or a.expires > $8) and (a.state = 3 or upper(a.during) > $8)
		) as p
		-- With an offset the planner asks these row by row, and stops when there are enough.
		where not p.taken
			and not exists (select from holds_manual as h where h.org_id = $1 and h.unit_id = r.unit_id and h.blocks & 1 = 1 and (h.lifted is null or h.lifted > $6) offset 0)
			and (r.members = '{}' or not exists (select from unnest(r.members) as m (unit_id) join holds_manual as h on h.org_id = $1 and h.unit_id = m.unit_id
				and h.blocks & 1 = 1 and (h.lifted is null or h.lifted > $6) offset 0))
		order by r.left_dives, r.left_hours, r.left_fills, r.ok_until, r.tag, r.unit_id limit w.count + $12
	) as f`

// queueBest queues a look for units for a wish. Once the batch has been read, read returns those that may be promised; not all that may, but of each kind and size more
// than are wanted if there are more. What was promised of them stands in one claim of no time.
func queueBest(batch *pgx.Batch, org tenant.Org, w *compliance.AllocationWish, now time.Time) (read func() []*promise.Unit) {
	type line struct{ kind, size string }
	ofKind := map[string]int64{}
	var lines []line
	seen := map[line]bool{}
	for _, want := range w.Wants {
		ofKind[want.Kind]++
		if l := (line{want.Kind, want.Size}); !seen[l] {
			seen[l] = true
			lines = append(lines, l)
		}
	}
	kinds, sizes, counts := make([]string, len(lines)), make([]string, len(lines)), make([]int64, len(lines))
	for i, l := range lines {
		kinds[i], sizes[i], counts[i] = l.kind, l.size, ofKind[l.kind] // as many as might be taken before it is this line's turn
	}
	var out []*promise.Unit
	byID := map[uuid.UUID]bool{}
	batch.Queue(`set local plan_cache_mode = force_generic_plan`) // planning it for each wish would take longer than the look, and give the same
	batch.Queue(selectBest, org.UUID, kinds, sizes, counts, w.Shop, w.Start, w.End, now, w.Expected.Dives, int64(w.Expected.Hours), w.Expected.Fills, spare).
		Query(func(rows pgx.Rows) error {
			u := promise.Unit{}
			var since, from, until *time.Time
			var hours int64
			var promised due.Amount
			_, err := pgx.ForEachRow(rows, []any{&u.ID, &u.Tag, &u.Kind, &u.Size, &since, &from, &until, &u.Left.Dives, &u.Left.Hours, &u.Left.Fills,
				&promised.Dives, &hours, &promised.Fills}, func() error {
				if byID[u.ID] {
					return nil // of two sizes
				}
				byID[u.ID] = true
				found := u
				promised.Hours = time.Duration(hours)
				found.Shop, found.Since = w.Shop, instantOf(since)
				found.OK = promise.Stretch{From: instantOf(from), Until: instantOf(until)}
				if promised != (due.Amount{}) {
					found.Claims = []promise.Claim{{Expected: promised}}
				}
				if found.For(w.Window, w.Expected, now, uuid.Max) == promise.Yes {
					out = append(out, &found)
				}
				return nil
			})
			return err
		})
	return func() []*promise.Unit { return out }
}
