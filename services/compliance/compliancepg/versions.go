package compliancepg

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// The sorts of p_versions.
const (
	shopVersions int16 = iota + 1
	modelVersions
	unitVersions
	fittingVersions
)

// shopVersion, modelVersion, unitVersion and fittingVersion are the bodies of p_versions. A field that is added later is empty in older ones.
type (
	shopVersion struct {
		Name         string `json:"name"`
		Zone         string `json:"zone"`
		Jurisdiction string `json:"jurisdiction"`
	}
	modelVersion struct {
		Kind       string            `json:"kind"`
		Maker      string            `json:"maker"`
		Size       string            `json:"size"`
		Attributes map[string]string `json:"attributes"`
	}
	unitVersion struct {
		Tag          string                 `json:"tag"`
		Serial       string                 `json:"serial"`
		Model        string                 `json:"model"`
		Size         string                 `json:"size"`
		Attributes   map[string]string      `json:"attributes"`
		Manufactured *[3]int                `json:"manufactured"` // year, month, and day or 0
		Commissioned *[3]int                `json:"commissioned"`
		Retired      *time.Time             `json:"retired"`
		Placements   []compliance.Placement `json:"placements"`
	}
	fittingVersion struct {
		Part  uuid.UUID  `json:"part"`
		Host  uuid.UUID  `json:"host"`
		Place string     `json:"place"`
		From  time.Time  `json:"from"`
		To    *time.Time `json:"to"`
	}
)

// storeVersions writes what the changes of a page say, each as it stands after its change.
func storeVersions(ctx context.Context, tx pgx.Tx, org tenant.Org, changes []compliance.Change) error {
	var sorts []int16
	var ids, bodies []string
	var numbers []int64
	var changed []time.Time
	for _, c := range changes {
		sort, id, body := versionOf(&c)
		if sort == 0 {
			continue
		}
		raw, err := json.Marshal(body)
		if err != nil {
			return err
		}
		sorts, ids, bodies, numbers, changed = append(sorts, sort), append(ids, id), append(bodies, string(raw)), append(numbers, c.Number), append(changed, c.At)
	}
	if len(ids) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `insert into p_versions (org_id, sort, id, number, changed, body)
		select $1, sort, id, number, changed, body::jsonb from unnest($2::smallint[], $3::text[], $4::bigint[], $5::timestamptz[], $6::text[]) as v (sort, id, number, changed, body)
		on conflict on constraint p_versions_pkey do nothing`,
		org.UUID, sorts, ids, numbers, changed, bodies)
	return pg.Err(err)
}

// versionOf returns the version that a change makes; sort 0 for one that makes none.
func versionOf(c *compliance.Change) (sort int16, id string, body any) {
	switch {
	case c.Shop != nil:
		return shopVersions, c.Shop.ID, shopVersion{c.Shop.Name, c.Shop.Zone, c.Shop.Jurisdiction}
	case c.Model != nil:
		m := c.Model
		return modelVersions, m.ID, modelVersion{m.Kind, m.Maker, m.Size, m.Attributes}
	case c.Unit != nil:
		u := c.Unit
		return unitVersions, u.ID.String(), unitVersion{
			u.Tag, u.Serial, u.Model, u.Size, u.Attributes, partsOf(u.Manufactured), partsOf(u.Commissioned), instant(u.Retired), u.Placements,
		}
	case c.Fitting != nil:
		f := c.Fitting
		return fittingVersions, f.ID.String(), fittingVersion{f.Part, f.Host, f.Place, f.From, instant(f.To)}
	}
	return 0, "", nil
}

// versions returns bodies by id: of the ids given, or of all for nil, each as it was known at an instant. What was not known then is left out.
func versions[T any](ctx context.Context, tx pgx.Tx, org tenant.Org, sort int16, ids []string, known time.Time) (map[string]T, error) {
	return versionRows[T](ctx, tx, `select distinct on (id) id, body from p_versions
		where org_id = $1 and sort = $2 and ($3::text[] is null or id = any ($3)) and changed <= $4 order by id, number desc`, org.UUID, sort, ids, known)
}

// earliest is versions for what others refer to: what they name was there, and where no version was known by then, should clocks have
// differed, the first is taken.
func earliest[T any](ctx context.Context, tx pgx.Tx, org tenant.Org, sort int16, ids []string, known time.Time) (map[string]T, error) {
	return versionRows[T](ctx, tx, `select distinct on (id) id, body from p_versions
		where org_id = $1 and sort = $2 and id = any ($3) order by id, changed <= $4 desc, case when changed <= $4 then -number else number end`, org.UUID, sort, ids, known)
}

func versionRows[T any](ctx context.Context, tx pgx.Tx, query string, args ...any) (map[string]T, error) {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[string]T{}
	var id string
	var raw []byte
	_, err = pgx.ForEachRow(rows, []any{&id, &raw}, func() error {
		var body T
		if err := json.Unmarshal(raw, &body); err != nil {
			return err
		}
		out[id] = body
		return nil
	})
	return out, pg.Err(err)
}

// knownUnits returns the units that were on record at an instant, retired or not.
func knownUnits(ctx context.Context, tx pgx.Tx, org tenant.Org, known time.Time) ([]uuid.UUID, error) {
	rows, err := tx.Query(ctx, `select distinct id::uuid from p_versions where org_id = $1 and sort = $2 and changed <= $3 order by 1`, org.UUID, unitVersions, known)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return out, pg.Err(err)
}

// unitsKnown returns units as they were known at an instant, those of the ids that were.
func unitsKnown(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []uuid.UUID, known time.Time) ([]compliance.Unit, error) {
	bodies, err := versions[unitVersion](ctx, tx, org, unitVersions, textOf(ids), known)
	if err != nil {
		return nil, err
	}
	out := make([]compliance.Unit, 0, len(bodies))
	for id, v := range bodies {
		u := compliance.Unit{Tag: v.Tag, Serial: v.Serial, Model: v.Model, Size: v.Size, Attributes: v.Attributes, Retired: instantOf(v.Retired), Placements: v.Placements}
		if u.ID, err = uuid.Parse(id); err != nil {
			return nil, err
		}
		if u.Manufactured, err = markOfParts(v.Manufactured); err != nil {
			return nil, err
		}
		if u.Commissioned, err = markOfParts(v.Commissioned); err != nil {
			return nil, err
		}
		out = append(out, u)
	}
	return out, nil
}

// modelsKnown returns models as they were known at an instant.
func modelsKnown(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []string, known time.Time) (map[string]compliance.Model, error) {
	bodies, err := earliest[modelVersion](ctx, tx, org, modelVersions, ids, known)
	out := make(map[string]compliance.Model, len(bodies))
	for id, v := range bodies {
		out[id] = compliance.Model{ID: id, Kind: v.Kind, Maker: v.Maker, Size: v.Size, Attributes: v.Attributes}
	}
	return out, err
}

// shopsKnown returns shops as they were known at an instant; all that were for no ids.
func shopsKnown(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []string, known time.Time) (map[string]compliance.Shop, error) {
	read := earliest[shopVersion]
	if ids == nil {
		read = versions[shopVersion]
	}
	bodies, err := read(ctx, tx, org, shopVersions, ids, known)
	out := make(map[string]compliance.Shop, len(bodies))
	for id, v := range bodies {
		out[id] = compliance.Shop{ID: id, Name: v.Name, Zone: v.Zone, Jurisdiction: v.Jurisdiction}
	}
	return out, err
}

// fittingsKnown returns fittings as they were known at an instant, those of the ids that were. A fitting's part and host never change.
func fittingsKnown(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []uuid.UUID, known time.Time) ([]due.Fitting, error) {
	bodies, err := versions[fittingVersion](ctx, tx, org, fittingVersions, textOf(ids), known)
	out := make([]due.Fitting, 0, len(bodies))
	for _, v := range bodies {
		out = append(out, due.Fitting{Part: v.Part, Host: v.Host, From: v.From.UTC(), To: instantOf(v.To)})
	}
	return out, err
}

// notOnRecord is the error for a unit that does not exist, or of which nothing was known at an instant.
func (r *Reader) notOnRecord(ctx context.Context, unit uuid.UUID, known time.Time) error {
	missing := errs.Missing(resname.UnitName(r.org, unit))
	if known.IsZero() {
		return missing
	}
	var tag string
	var since time.Time
	switch err := r.tx.QueryRow(ctx, `select u.tag, min(v.changed) from p_units as u join p_versions as v on v.org_id = $1 and v.sort = $3 and v.id = $2::uuid::text
		where u.org_id = $1 and u.unit_id = $2::uuid group by u.tag`, r.org.UUID, unit, unitVersions).Scan(&tag, &since); {
	case errors.Is(err, pgx.ErrNoRows):
		return missing
	case err != nil:
		return pg.Err(err)
	}
	missing.Message = fmt.Sprintf("%s was not on record yet at %s; it was registered at %s", tag, known.UTC().Format(time.RFC3339), since.UTC().Format(time.RFC3339))
	return missing
}

func textOf(ids []uuid.UUID) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = id.String()
	}
	return out
}

func partsOf(m civil.Mark) *[3]int {
	if m.IsZero() {
		return nil
	}
	y, mo, d := m.Parts()
	return &[3]int{y, mo, d}
}

func markOfParts(p *[3]int) (civil.Mark, error) {
	if p == nil {
		return civil.Mark{}, nil
	}
	return civil.MarkOf(p[0], p[1], p[2])
}
