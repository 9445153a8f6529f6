package compliancepg

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// packCache keeps decoded revisions. A revision never changes, so nothing in it goes stale.
type packCache struct {
	decode func(id string, body []byte) (due.Pack, error)

	mu   sync.Mutex
	kept map[packKey]due.Pack
}

// packKey names a revision and what it says: the transaction that publishes it may be rolled back, and another text be
// published under its number.
type packKey struct {
	org      uuid.UUID
	id       string
	revision int64
	digest   string
}

// cachedPacks bounds the cache; it is emptied when full, which costs some decoding and nothing else.
const cachedPacks = 4096

func (c *packCache) get(k packKey) (due.Pack, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	p, ok := c.kept[k]
	return p, ok
}

func (c *packCache) put(k packKey, p due.Pack) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= cachedPacks {
		c.kept = map[packKey]due.Pack{}
	}
	c.kept[k] = p
}

func (c *packCache) read(k packKey, r compliance.PackRevision) (due.Pack, error) {
	p, err := c.decode(r.ID, r.Body)
	if err != nil {
		return due.Pack{}, errs.New(errs.Internal, "INTERNAL", "a stored rule pack cannot be read", "pack", r.ID, "revision", fmt.Sprint(r.Revision)).Because(err)
	}
	p.ID, p.Revision, p.Effective, p.Published = r.ID, r.Revision, r.Effective, r.Published
	c.put(k, p)
	return p, nil
}

// Packs returns every revision of every pack of the org.
func (r *Reader) Packs(ctx context.Context) ([]due.Pack, error) {
	return r.store.readPacks(ctx, r.tx, r.org)
}

func (s *Store) readPacks(ctx context.Context, tx pgx.Tx, org tenant.Org) ([]due.Pack, error) {
	rows, err := tx.Query(ctx, `select pack, revision, encode(digest, 'hex') from rule_packs where org_id = $1 order by pack, revision`, org.UUID)
	if err != nil {
		return nil, pg.Err(err)
	}
	keys, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (packKey, error) {
		k := packKey{org: org.UUID}
		return k, row.Scan(&k.id, &k.revision, &k.digest)
	})
	if err != nil {
		return nil, pg.Err(err)
	}
	out := make([]due.Pack, len(keys))
	for i, k := range keys {
		p, ok := s.packs.get(k)
		if !ok {
			r, err := readRevision(ctx, tx, org, k.id, k.revision)
			if err != nil {
				return nil, err
			}
			if p, err = s.packs.read(k, r); err != nil {
				return nil, err
			}
		}
		out[i] = p
	}
	return out, nil
}

const selectRevision = `select pack, revision, effective_on, published, body from rule_packs `

func scanRevision(row pgx.CollectableRow) (r compliance.PackRevision, err error) {
	var effective time.Time
	err = row.Scan(&r.ID, &r.Revision, &effective, &r.Published, &r.Body)
	r.Effective, r.Published = civil.In(effective, time.UTC), r.Published.UTC()
	return r, err
}

// readRevision returns a revision of a pack; the last for 0.
func readRevision(ctx context.Context, tx pgx.Tx, org tenant.Org, id string, revision int64) (compliance.PackRevision, error) {
	rows, err := tx.Query(ctx, selectRevision+`where org_id = $1 and pack = $2 and ($3::bigint = 0 or revision = $3::bigint) order by revision desc limit 1`, org.UUID, id, revision)
	if err != nil {
		return compliance.PackRevision{}, pg.Err(err)
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanRevision)
	return r, one(err, org.Name()+"/rulePacks/"+id)
}

// Pack returns a revision of a pack; the last for 0.
func (r *Reader) Pack(ctx context.Context, id string, revision int64) (compliance.PackRevision, error) {
	return readRevision(ctx, r.tx, r.org, id, revision)
}

// RevisionQuery asks for a revision of a pack.
type RevisionQuery struct {
	ID       string
	Revision int64       // 0 for the last, or the one in force
	InForce  *civil.Date // the one in force on this day; nil for the last
	Known    time.Time   // only revisions published by then; zero for all
}

// PackBy returns the revision asked for. Without one it is NOT_FOUND, which says what there is instead.
func (r *Reader) PackBy(ctx context.Context, q RevisionQuery) (compliance.PackRevision, error) {
	args := []any{r.org.UUID, q.ID, q.Revision, instant(q.Known)}
	where, order := `org_id = $1 and pack = $2 and ($3::bigint = 0 or revision = $3::bigint) and ($4::timestamptz is null or published <= $4)`, `revision desc`
	if q.InForce != nil {
		args = append(args, dayOf(*q.InForce))
		where, order = where+` and effective_on <= $5`, `effective_on desc, revision desc`
	}
	rows, err := r.tx.Query(ctx, selectRevision+`where `+where+` order by `+order+` limit 1`, args...)
	if err != nil {
		return compliance.PackRevision{}, pg.Err(err)
	}
	name := r.org.Name() + "/rulePacks/" + q.ID
	found, err := pgx.CollectExactlyOneRow(rows, scanRevision)
	if err = one(err, name); !errs.Is(err, "NOT_FOUND") || q.InForce == nil && q.Known.IsZero() {
		return found, err
	}
	if _, exists := readRevision(ctx, r.tx, r.org, q.ID, 0); exists != nil {
		return found, exists
	}
	missing := errs.Missing(name)
	missing.Message = name + " has no revision"
	if q.Revision != 0 {
		missing.Message += fmt.Sprintf(" %d", q.Revision)
	}
	if q.InForce != nil {
		missing.Message += " in force on " + q.InForce.String()
	}
	if !q.Known.IsZero() {
		missing.Message += " that was published by " + q.Known.Format(time.RFC3339)
	}
	return found, missing
}

// PackQuery asks for rule packs.
type PackQuery struct {
	InForce *civil.Date // in the revision in force on this day; nil for the last
	Known   time.Time   // only revisions published by then; zero for all
	After   string      // only packs whose id comes after it
	Limit   int
}

// PackList returns one revision of each pack, by id: its last, or the one in force on a day. Packs that have none are left out.
func (r *Reader) PackList(ctx context.Context, q PackQuery) ([]compliance.PackRevision, error) {
	args := []any{r.org.UUID, q.After, q.Limit}
	where, order := `org_id = $1 and pack > $2`, `revision desc`
	if !q.Known.IsZero() {
		args = append(args, q.Known)
		where += fmt.Sprintf(` and published <= $%d`, len(args))
	}
	if q.InForce != nil {
		args = append(args, dayOf(*q.InForce))
		where += fmt.Sprintf(` and effective_on <= $%d`, len(args))
		order = `effective_on desc, revision desc`
	}
	rows, err := r.tx.Query(ctx, `select distinct on (pack) pack, revision, effective_on, published, body from rule_packs
		where `+where+` order by pack, `+order+` limit $3`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, scanRevision)
	return out, pg.Err(err)
}

// Publish adds a revision of a pack and derives again every unit that its rules, or those of the revision before, may be
// for, in one transaction: the pack is never in force with clocks that do not know it. A body equal to the last
// revision's is answered as it stands. It joins the transaction in ctx.
func (s *Store) Publish(ctx context.Context, org tenant.Org, id string, effective civil.Date, body []byte, change compliance.OwnChange) (r compliance.PackRevision, p compliance.Position, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		last, err := readRevision(ctx, tx, org, id, 0)
		switch {
		case errs.Is(err, "NOT_FOUND"):
			last = compliance.PackRevision{}
		case err != nil:
			return err
		case bytes.Equal(last.Body, body) && last.Effective == effective:
			r = last
			p, err = position(ctx, tx, org)
			return err
		default:
			if err := tooEarly(effective, last); err != nil {
				return err
			}
		}
		r = compliance.PackRevision{ID: id, Revision: last.Revision + 1, Effective: effective, Published: change.At, Body: body}
		digest := sha256.Sum256(body)
		if _, err := tx.Exec(ctx, `insert into rule_packs (org_id, pack, revision, effective_on, published, digest, body) values ($1, $2, $3, $4, $5, $6, $7)`,
			org.UUID, r.ID, r.Revision, effective.Start(time.UTC), r.Published, digest[:], r.Body); err != nil {
			return pg.Err(err)
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		kinds, err := s.scopedKinds(org, last, r)
		if err != nil {
			return err
		}
		return s.recomputeKinds(ctx, tx, org, kinds)
	})
	return r, p, err
}

// scopedKinds returns the kinds of units that revisions of a pack are about; nil for every kind. Proofs of conditions
// concern every kind.
func (s *Store) scopedKinds(org tenant.Org, revisions ...compliance.PackRevision) ([]string, error) {
	kinds := []string{}
	for _, r := range revisions {
		if r.Revision == 0 {
			continue
		}
		// Not kept: a revision that is being published may yet be rolled back.
		p, err := s.packs.decode(r.ID, r.Body)
		if err != nil {
			return nil, errs.New(errs.Internal, "INTERNAL", "a rule pack cannot be read").Because(err)
		}
		if len(p.Proofs) > 0 {
			return nil, nil
		}
		for _, rule := range p.Rules {
			if len(rule.Scope.Kinds) == 0 {
				return nil, nil
			}
			kinds = append(kinds, rule.Scope.Kinds...)
		}
	}
	slices.Sort(kinds)
	return slices.Compact(kinds), nil
}
