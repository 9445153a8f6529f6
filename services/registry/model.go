package registry

import (
	"context"
	"time"

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
	return models.make(ctx, r, org, now, m)
}

// UpdateModel changes a model; edit is given the present one. A new kind changes every unit of the model, each with a
// change of its own. It fails with NOT_FOUND and ETAG_MISMATCH.
func (r *Registry) UpdateModel(ctx context.Context, org tenant.Org, now time.Time, id, etag string, edit func(*Model)) (Model, int64, error) {
	return models.edit(ctx, r, org, now, id, etag, edit, func(ctx context.Context, tx Tx, old, m Model) error {
		if m.Kind == old.Kind {
			return nil
		}
		return tx.Rekind(ctx, m.ID, m.Kind)
	})
}
