package registry

import (
	"context"
	"maps"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// Model is a catalogue entry: what units of it have in common.
type Model struct {
	ID               string
	DisplayName      string
	Kind             string
	Maker            string
	Size             string
	Attributes       map[string]string
	Version          int64
	Created, Updated time.Time
}

func (m Model) check() Problems {
	ps := text("display_name", m.DisplayName)
	ps = append(ps, text("maker", m.Maker)...)
	ps = append(ps, text("size", m.Size)...)
	return append(ps, attributes("attributes", m.Attributes)...)
}

func (m Model) diff(o Model) (d differences) {
	d.text("display_name", m.DisplayName, o.DisplayName)
	d.text("kind", m.Kind, o.Kind)
	d.text("maker", m.Maker, o.Maker)
	d.text("size", m.Size, o.Size)
	d.attributes("attributes", m.Attributes, o.Attributes)
	return d
}

// CreateModel creates a model. It fails with ALREADY_EXISTS.
func (r *Registry) CreateModel(ctx context.Context, org tenant.Org, now time.Time, m Model) (Model, int64, error) {
	if err := m.check().Under("model.").Err(); err != nil {
		return Model{}, 0, err
	}
	m.Version, m.Created, m.Updated = 1, now, now
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		have, err := tx.Models(ctx, []string{m.ID})
		if err != nil {
			return err
		}
		if _, ok := have[m.ID]; ok {
			return errs.Taken(resname.ModelName(org, m.ID))
		}
		if err := tx.InsertModels(ctx, []Model{m}); err != nil {
			return err
		}
		return tx.Record(ctx, Change{Model: &m})
	})
	return m, position, err
}

// UpdateModel changes a model; edit is given the present one. A new kind changes every unit of the model, each with a
// change of its own. It fails with NOT_FOUND and ETAG_MISMATCH.
func (r *Registry) UpdateModel(ctx context.Context, org tenant.Org, now time.Time, id, etag string, edit func(*Model)) (Model, int64, error) {
	var out Model
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		name := resname.ModelName(org, id)
		have, err := tx.Models(ctx, []string{id})
		if err != nil {
			return err
		}
		old, ok := have[id]
		if !ok {
			return errs.Missing(name)
		}
		if err := checkEtag(name, old.Version, etag); err != nil {
			return err
		}
		m := old
		m.Attributes = maps.Clone(old.Attributes)
		edit(&m)
		if err := m.check().Under("model.").Err(); err != nil {
			return err
		}
		if len(m.diff(old)) == 0 {
			out = old
			return nil
		}
		m.Version, m.Updated = old.Version+1, now
		if err := tx.UpdateModel(ctx, m); err != nil {
			return err
		}
		if err := tx.Record(ctx, Change{Model: &m}); err != nil {
			return err
		}
		out = m
		if m.Kind == old.Kind {
			return nil
		}
		return tx.Rekind(ctx, m.ID, m.Kind)
	})
	return out, position, err
}
