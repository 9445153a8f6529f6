// Package idem makes a request with a request id take effect once: a repeat gets the first answer.
//
// The answer is stored in the transaction that makes the effect, so both are there or neither. A request that failed
// leaves nothing, and its id may be used again. An id is remembered for seven days ([Kept]); after that a repeat counts
// as new.
//
// Each service has the table in its own schema, made by its own migration with exactly this text (and its own role):
//
//	create table request_ids (
//	    org_id     uuid        not null,
//	    request_id uuid        not null,
//	    method     text        not null,
//	    digest     bytea       not null,
//	    response   bytea       not null,
//	    created    timestamptz not null,
//	    constraint request_ids_pkey primary key (org_id, request_id)
//	);
//	create index request_ids_created_idx on request_ids (org_id, created);
//	alter table request_ids enable row level security;
//	alter table request_ids force row level security;
//	create policy org on request_ids using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
//	grant select, insert, delete on request_ids to strandline_registry;
package idem

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
)

// Kept is how long a request id is remembered.
const Kept = 7 * 24 * time.Hour

// forget is how many expired ids a request clears away beside its own work, when it is its turn: that of about one in eight, by its id, so that most
// are spared the look.
const forget = 80

func (r *record) turn() bool { return r.id[15]&7 == 0 }

// Run executes fn once per org and request id, in one InOrg transaction that fn's store calls join, and stores the
// response. A repeat returns the first response without running fn; the same id with another method or another request
// is refused with REQUEST_ID_REUSED. Requests with one id that arrive at the same time wait for each other.
//
// An empty request id is no record: fn just runs. With dryRun (validate_only) everything fn wrote is rolled back, its
// response is returned, and there is no record either. Like every InOrg function, fn may run more than once.
//
// Two requests are the same if their deterministic encodings are, without the field request_id. The encoding can change
// with a new release of the program; then a repeat across the change is refused rather than done twice.
func Run[R proto.Message](ctx context.Context, db *pg.DB, org tenant.Org, now time.Time, method, requestID string, dryRun bool, req proto.Message, fn func(ctx context.Context) (R, error)) (R, error) {
	var none, resp R
	var err error
	switch {
	case dryRun:
		err = db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
			// A savepoint, so that it holds also inside a larger transaction.
			sp, err := tx.Begin(ctx)
			if err != nil {
				return pg.Err(err)
			}
			var failed error
			resp, failed = fn(ctx)
			if err := sp.Rollback(ctx); failed == nil {
				return pg.Err(err)
			}
			return failed
		})
	case requestID == "":
		err = db.InOrg(ctx, org, func(ctx context.Context, _ pgx.Tx) (err error) {
			resp, err = fn(ctx)
			return err
		})
	default:
		resp, err = once(ctx, db, org, now, method, requestID, req, fn)
	}
	if err != nil {
		return none, err
	}
	return resp, nil
}

// record is a row of request_ids, or what is to be one.
type record struct {
	org      tenant.Org
	id       uuid.UUID
	method   string
	digest   []byte
	response []byte
	created  time.Time
	kept     *kept // what is there of this id; nil for nothing
	expired  bool  // and counts no more
}

// kept is what a row of request_ids says of a request that was done.
type kept struct {
	method   string
	digest   []byte
	response []byte
	created  time.Time
}

func once[R proto.Message](ctx context.Context, db *pg.DB, org tenant.Org, now time.Time, method, requestID string, req proto.Message, fn func(ctx context.Context) (R, error)) (R, error) {
	var resp R
	id, err := uuid.Parse(requestID)
	if err != nil || len(requestID) != 36 {
		return resp, errs.Field("request_id", requestID, "want a UUID, for example 3f2b8c1e-0d4a-4e59-9a57-6c1d2e3f4a5b")
	}
	digest, err := Digest(req)
	if err != nil {
		return resp, err
	}
	var r record
	err = db.InOrgAfter(ctx, org, func(batch *pgx.Batch) {
		r = record{org: org, id: id, method: method, digest: digest, created: now}
		r.look(batch)
	}, func(ctx context.Context, tx pgx.Tx) error {
		first, err := r.first()
		if err != nil {
			return err
		}
		if first != nil {
			resp = resp.ProtoReflect().New().Interface().(R)
			if err := proto.Unmarshal(first, resp); err != nil {
				return errs.New(errs.Internal, "INTERNAL", "the stored answer of a request cannot be read").Because(err)
			}
			return nil
		}
		if resp, err = fn(ctx); err != nil {
			return err
		}
		if r.response, err = (proto.MarshalOptions{Deterministic: true}).Marshal(resp); err != nil {
			return errs.New(errs.Internal, "INTERNAL", "the answer cannot be encoded").Because(err)
		}
		return r.keep(ctx, tx)
	})
	return resp, err
}

// look waits for a request with this id that is under way, and reads what is kept of one that is done.
func (r *record) look(batch *pgx.Batch) {
	const lock = `select pg_advisory_xact_lock($1)`
	const find = `select method, digest, response, created from request_ids where org_id = $1 and request_id = $2`
	batch.Queue(lock, r.lockKey())
	batch.Queue(find, r.org.UUID, r.id).QueryRow(func(row pgx.Row) error {
		k := &kept{}
		err := row.Scan(&k.method, &k.digest, &k.response, &k.created)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		r.kept = k
		return err
	})
}

// first returns the answer of a request with this id that is done (never nil then).
func (r *record) first() ([]byte, error) {
	k := r.kept
	switch {
	case k == nil:
		return nil, nil
	case k.created.Before(r.created.Add(-Kept)):
		r.expired = true
		return nil, nil
	case k.method != r.method || !bytes.Equal(k.digest, r.digest):
		return nil, errs.New(errs.Invalid, "REQUEST_ID_REUSED", fmt.Sprintf("request id %s was used for another request; take a new one", r.id), "requestId", r.id.String())
	case k.response == nil:
		return []byte{}, nil
	}
	return k.response, nil
}

// keep stores the answer and clears a few expired ids away.
func (r *record) keep(ctx context.Context, tx pgx.Tx) error {
	const clear = `
		delete from request_ids where org_id = $1 and created < $2 and request_id in (
			select request_id from request_ids where org_id = $1 and created < $2 order by created, request_id limit $3)`
	const drop = `delete from request_ids where org_id = $1 and request_id = $2`
	const add = `insert into request_ids (org_id, request_id, method, digest, response, created) values ($1, $2, $3, $4, $5, $6)`
	var batch pgx.Batch
	if r.turn() {
		batch.Queue(clear, r.org.UUID, r.created.Add(-Kept), forget)
	}
	if r.expired {
		batch.Queue(drop, r.org.UUID, r.id)
	}
	batch.Queue(add, r.org.UUID, r.id, r.method, r.digest, r.response, r.created)
	return pg.Err(tx.SendBatch(ctx, &batch).Close())
}

// lockKey names the org and request id among the database's advisory locks. Two that share a key by chance wait for each
// other, and no more than that.
func (r *record) lockKey() int64 {
	h := sha256.New()
	h.Write([]byte("strandline request id"))
	h.Write(r.org.UUID[:])
	h.Write(r.id[:])
	return int64(binary.BigEndian.Uint64(h.Sum(nil)))
}

// Digest returns the SHA-256 of a request's deterministic encoding without its field request_id. The request is not
// changed.
func Digest(req proto.Message) ([]byte, error) {
	m := req.ProtoReflect()
	if f := m.Descriptor().Fields().ByName("request_id"); f != nil && m.Has(f) {
		m = shallow(m)
		m.Clear(f)
	}
	b, err := (proto.MarshalOptions{Deterministic: true}).Marshal(m.Interface())
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the request cannot be encoded").Because(err)
	}
	sum := sha256.Sum256(b)
	return sum[:], nil
}

// shallow returns a message with the same fields, sharing what they hold: a batch of a thousand entries is not copied.
func shallow(m protoreflect.Message) protoreflect.Message {
	c := m.New()
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		c.Set(f, v)
		return true
	})
	c.SetUnknown(m.GetUnknown())
	return c
}
