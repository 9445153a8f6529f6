package compliancepg

import (
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// selectAllocation reads rows for scanAllocation; where and order follow.
const selectAllocation = `select a.allocation_id, a.group_id, a.outfit, a.kind, a.size, a.shop, a.unit_id, u.tag, lower(a.during), upper(a.during),
	a.dives, a.hours, a.fills, a.state, a.expires, a.pinned, a.reference, a.created, a.creator, a.confirmed, a.handed_out, a.hander,
	a.gate_registry, a.gate_history, a.gate_compliance, a.finished, a.finisher, a.finish_reason, a.entries, a.conflicts, a.substitutions, a.number
	from allocations as a left join p_units as u on u.org_id = a.org_id and u.unit_id = a.unit_id `

func scanAllocation(row pgx.CollectableRow) (a compliance.Allocation, err error) {
	var tag *string
	var hours int64
	var expires, confirmed, handedOut, finished *time.Time
	err = row.Scan(&a.ID, &a.Group, &a.Outfit, &a.Kind, &a.Size, &a.Shop, &a.Unit, &tag, &a.Start, &a.End,
		&a.Expected.Dives, &hours, &a.Expected.Fills, &a.State, &expires, &a.Pinned, &a.Reference, &a.Created, &a.Creator, &confirmed, &handedOut, &a.Hander,
		&a.Gate.Registry, &a.Gate.History, &a.Gate.Compliance, &finished, &a.Finisher, &a.FinishedReason, &a.Entries, &a.Conflicts, &a.Substitutions, &a.Number)
	if tag != nil { // a projection that is being built again does not have the unit yet
		a.Tag = *tag
	}
	a.Expected.Hours = time.Duration(hours)
	a.Start, a.End, a.Created = a.Start.UTC(), a.End.UTC(), a.Created.UTC()
	a.Expires, a.Confirmed, a.HandedOut, a.Finished = instantOf(expires), instantOf(confirmed), instantOf(handedOut), instantOf(finished)
	return a, err
}

// during returns a window as a range.
func during(a *compliance.Allocation) pgtype.Range[time.Time] {
	return pgtype.Range[time.Time]{Lower: a.Start, Upper: a.End, LowerType: pgtype.Inclusive, UpperType: pgtype.Exclusive, Valid: true}
}

// thisChange is the number of the changes of this transaction, after watchOn.
const thisChange = `(select w.number from watch_heads as w where w.org_id = $1)`

// queueAllocations inserts new allocations, with the number of watchOn.
func queueAllocations(batch *pgx.Batch, org tenant.Org, all []*compliance.Allocation) {
	n := len(all)
	if n == 0 {
		return
	}
	ids, groups, units, outfits := make([]uuid.UUID, n), make([]uuid.UUID, n), make([]uuid.UUID, n), make([]int32, n)
	kinds, sizes, shops, references, creators := make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	from, to, created, expires, confirmed := make([]time.Time, n), make([]time.Time, n), make([]time.Time, n), make([]*time.Time, n), make([]*time.Time, n)
	dives, hours, fills, states, pinned := make([]int64, n), make([]int64, n), make([]int64, n), make([]int16, n), make([]bool, n)
	for i, a := range all {
		ids[i], groups[i], units[i], outfits[i] = a.ID, a.Group, a.Unit, a.Outfit
		kinds[i], sizes[i], shops[i], references[i], creators[i] = a.Kind, a.Size, a.Shop, a.Reference, a.Creator
		from[i], to[i], created[i], expires[i], confirmed[i] = a.Start, a.End, a.Created, instant(a.Expires), instant(a.Confirmed)
		dives[i], hours[i], fills[i], states[i], pinned[i] = a.Expected.Dives, int64(a.Expected.Hours), a.Expected.Fills, int16(a.State), a.Pinned
	}
	batch.Queue(`insert into allocations (org_id, allocation_id, group_id, outfit, kind, size, shop, unit_id, during, dives, hours, fills, state, expires, pinned,
			reference, created, creator, confirmed, number)
		select $1, a.id, a.group_id, a.outfit, a.kind, a.size, a.shop, a.unit_id, tstzrange(a.start, a.stop), a.dives, a.hours, a.fills, a.state, a.expires, a.pinned,
			a.reference, a.created, a.creator, a.confirmed, `+thisChange+`
		from unnest($2::uuid[], $3::uuid[], $4::integer[], $5::text[], $6::text[], $7::text[], $8::uuid[], $9::timestamptz[], $10::timestamptz[], $11::bigint[], $12::bigint[],
			$13::bigint[], $14::smallint[], $15::timestamptz[], $16::boolean[], $17::text[], $18::timestamptz[], $19::text[], $20::timestamptz[])
			as a (id, group_id, outfit, kind, size, shop, unit_id, start, stop, dives, hours, fills, state, expires, pinned, reference, created, creator, confirmed)`,
		org.UUID, ids, groups, outfits, kinds, sizes, shops, units, from, to, dives, hours, fills, states, expires, pinned, references, created, creators, confirmed)
}

// queueAllocation writes all of an allocation that may have changed, with the number of watchOn.
func queueAllocation(batch *pgx.Batch, org tenant.Org, a *compliance.Allocation) {
	batch.Queue(`update allocations set unit_id = $3, during = $4, dives = $5, hours = $6, fills = $7, state = $8, expires = $9, pinned = $10, confirmed = $11,
			handed_out = $12, hander = $13, gate_registry = $14, gate_history = $15, gate_compliance = $16, finished = $17, finisher = $18, finish_reason = $19,
			entries = $20, conflicts = $21, substitutions = $22, number = `+thisChange+`
		where org_id = $1 and allocation_id = $2`,
		org.UUID, a.ID, a.Unit, during(a), a.Expected.Dives, int64(a.Expected.Hours), a.Expected.Fills, a.State, instant(a.Expires), a.Pinned, instant(a.Confirmed),
		instant(a.HandedOut), a.Hander, a.Gate.Registry, a.Gate.History, a.Gate.Compliance, instant(a.Finished), a.Finisher, a.FinishedReason,
		listed(a.Entries), listed(a.Conflicts), listed(a.Substitutions))
}

// listed returns a list that is stored as an empty one, not as nothing.
func listed[T any](all []T) []T {
	if all == nil {
		return []T{}
	}
	return all
}

// watchOn locks the row that numbers what is watched, and gives the number of the changes of this transaction. It is the last lock that a transaction
// takes: the allocations it changes carry the number, and units are marked with it.
const watchOn = `insert into watch_heads (org_id, number) values ($1, 1) on conflict (org_id) do update set number = watch_heads.number + 1 returning number`
