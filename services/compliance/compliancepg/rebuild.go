package compliancepg

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// ReadPage reads a source's changes after a number; none at the end of the feed.
type ReadPage func(ctx context.Context, source compliance.Source, after int64) ([]compliance.Change, error)

// Rebuild throws away the org's projection and builds it again from the feeds, in one transaction: readers see the old
// rows until the new ones are there, and appliers wait. Holds placed by people, waivers, recalls and rule packs stay. A feed that no longer
// reaches what was applied before is refused, and everything stays as it was. It joins the transaction in ctx.
func (s *Store) Rebuild(ctx context.Context, org tenant.Org, read ReadPage) (units int64, p compliance.Position, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		before, err := lockCursors(ctx, tx, org)
		if err != nil {
			return err
		}
		tags, err := promisedTags(ctx, tx, org)
		if err != nil {
			return err
		}
		for _, table := range []string{"clocks", "unit_holds", "p_lot_uses", "p_ledger", "p_amendments", "p_fittings", "p_units", "p_models", "p_shops", "p_versions", "p_ready"} {
			if _, err := tx.Exec(ctx, `delete from `+table+` where org_id = $1`, org.UUID); err != nil {
				return pg.Err(err)
			}
		}
		after := map[compliance.Source]int64{}
		for _, source := range []compliance.Source{compliance.Registry, compliance.History} {
			if after[source], err = s.refill(ctx, tx, org, source, read); err != nil {
				return err
			}
			if was := before.Of(source); after[source] < was {
				return errs.New(errs.Unavailable, "UNAVAILABLE", fmt.Sprintf("the feed of %s ends at %d, and %d was applied before; the projection stays as it is", source, after[source], was),
					"service", source.String(), "head", fmt.Sprint(after[source]), "applied", fmt.Sprint(was))
			}
			if _, err := tx.Exec(ctx, `update cursors set number = $3 where org_id = $1 and source = $2`, org.UUID, source, after[source]); err != nil {
				return pg.Err(err)
			}
		}
		tagged, err := otherTags(ctx, tx, org, tags)
		if err != nil {
			return err
		}
		if len(tagged) > 0 { // only then do those who promise wait until it is built
			if err := lockHead(ctx, tx, org); err != nil {
				return err
			}
		}
		if err := s.recomputeKinds(ctx, tx, org, nil); err != nil {
			return err
		}
		if len(tagged) > 0 {
			if err := markPromises(ctx, tx, org, tagged); err != nil {
				return err
			}
		}
		if err := tx.QueryRow(ctx, `select count(*) from p_units where org_id = $1`, org.UUID).Scan(&units); err != nil {
			return pg.Err(err)
		}
		p, err = position(ctx, tx, org)
		return err
	})
	return units, p, err
}

// refill stores all of a source's changes, without deriving anything yet.
func (s *Store) refill(ctx context.Context, tx pgx.Tx, org tenant.Org, source compliance.Source, read ReadPage) (last int64, err error) {
	for {
		changes, err := read(ctx, source, last)
		if err != nil || len(changes) == 0 {
			return last, err
		}
		if changes, err = following(last, changes); err != nil {
			return last, err
		}
		if len(changes) == 0 {
			return last, errs.New(errs.Internal, "INTERNAL", "the feed answers with what was read before")
		}
		if err := s.storeFacts(ctx, tx, org, changes, map[uuid.UUID]struct{}{}); err != nil {
			return last, err
		}
		last = changes[len(changes)-1].Number
	}
}
