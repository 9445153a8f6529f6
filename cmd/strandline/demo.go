package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"buf.build/go/protoyaml"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/packs"
	"strandline.example/strandline/testdata/demo"
)

const (
	demoOrg  = "demo"
	demoName = "Tidewrack Dive Shops (invented)"
	demoDay  = "2026-11-20"
)

// demoTransfers are what no spreadsheet of the demo says: a jacket that changed shops.
var demoTransfers = []struct{ tag, shop, at string }{
	{"US-BCD-018", "kelpquay", "2026-09-01 10:00"}, // local at the shop it leaves
}

func newDemoCmd(a *app) *cobra.Command {
	var day string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "bring an invented chain of three shops in and report on it",
		Long: `Starts the database and the services in this process (unless --server or --dsn names others), brings the spreadsheets of an
invented chain of three shops in three countries in through the public API, and reports on its fleet for a day: what is
overdue and due by date and by use, what is pulled, and what each shop can hand out on the weekend after.

The chain is an org of its own, with the id ` + demoOrg + `; other orgs are left alone. A second run finds everything in place. Places,
people and makers in it are made up.`,
		Example: `  strandline demo
  strandline demo --data /tmp/strandline-demo --day 2026-06-05`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d, err := time.Parse(time.DateOnly, day)
			if err != nil {
				return usagef("--day %q: want a day such as %s", day, demoDay)
			}
			return a.demo(cmd.Context(), civil.New(d.Date()))
		},
	}
	cmd.Flags().StringVar(&day, "day", demoDay, "the `day` to report on")
	cmd.AddCommand(newDemoBenchCmd(a), newDemoSaturdayCmd(a))
	return cmd
}

// demoRun is one run of the demo.
type demoRun struct {
	app     *app
	c       *clients
	began   time.Time
	reached *typepb.Position
	orgs    int
}

func (r *demoRun) step(format string, args ...any) {
	r.app.talkf("%6.1f s  %s", r.app.clk.Now().Sub(r.began).Seconds(), fmt.Sprintf(format, args...))
}

func (a *app) demo(ctx context.Context, day civil.Date) error {
	r := &demoRun{app: a, began: a.clk.Now(), reached: &typepb.Position{}}
	a.talkf("An invented chain of three dive shops. Nothing in it is real.")
	r.step("starting")
	op, err := a.connectOperator(ctx)
	if err != nil {
		return err
	}
	if err := r.createOrg(ctx, op); err != nil {
		return err
	}
	if r.c, err = a.connectAs(ctx, a.set.Role, demoOrg); err != nil {
		return err
	}
	if err := r.publish(ctx); err != nil {
		return err
	}
	if err := r.bringIn(ctx); err != nil {
		return err
	}
	if err := r.catchUp(ctx); err != nil {
		return err
	}
	report, err := r.gather(ctx, day)
	if err != nil {
		return err
	}
	r.step("done")
	if a.json() {
		return report.json(a)
	}
	report.print(a)
	return nil
}

func (r *demoRun) createOrg(ctx context.Context, op *clients) error {
	resp, err := op.Registry.CreateOrg(ctx, &registrypb.CreateOrgRequest{OrgId: demoOrg, Org: &registrypb.Org{DisplayName: demoName}})
	switch {
	case status.Code(err) == codes.AlreadyExists:
		r.step("org %s is there", demoOrg)
	case err != nil:
		return err
	default:
		later(r.reached, resp.GetPosition())
		r.step("org %s created", demoOrg)
	}
	orgs, err := op.Registry.ListOrgs(ctx, &registrypb.ListOrgsRequest{PageSize: 2})
	r.orgs = len(orgs.GetOrgs())
	return err
}

// demoShipped are the shipped rule packs that the demo's shops answer to. Others are for other places and trades.
var demoShipped = []string{"au-cylinders", "gb-cylinders", "us-cylinders", "us-diving-operations"}

// publish publishes the shipped rule packs that the demo's shops answer to, and the demo's own.
func (r *demoRun) publish(ctx context.Context) error {
	files := map[string][]byte{}
	for _, part := range []struct {
		fs   fs.FS
		glob string
	}{{packs.Shipped, "*.yaml"}, {demo.Files, "rules/*.yaml"}} {
		names, err := fs.Glob(part.fs, part.glob)
		if err != nil {
			return err
		}
		for _, n := range names {
			raw, err := fs.ReadFile(part.fs, n)
			if err != nil {
				return err
			}
			id := strings.TrimSuffix(n[strings.LastIndex(n, "/")+1:], ".yaml")
			if part.glob == "*.yaml" && !slices.Contains(demoShipped, id) {
				continue
			}
			files[id] = raw
		}
	}
	ids := sortedKeys(files)
	for _, id := range ids {
		pack := &compliancepb.RulePack{}
		if err := (protoyaml.UnmarshalOptions{Path: id + ".yaml"}).Unmarshal(files[id], pack); err != nil {
			return err
		}
		resp, err := r.c.Compliance.PublishRulePack(ctx, &compliancepb.PublishRulePackRequest{Parent: r.c.Org.Name(), RulePackId: id, RulePack: pack})
		if err != nil {
			return fmt.Errorf("rule pack %s: %w", id, err)
		}
		later(r.reached, resp.GetPosition())
	}
	r.step("%s published: %s", plural(int64(len(ids)), "rule pack"), strings.Join(ids, ", "))
	return nil
}

// demoFiles returns the spreadsheets of the demo.
func demoFiles() ([]*importFile, error) {
	names, err := fs.Glob(demo.Files, "*.csv")
	if err != nil {
		return nil, err
	}
	var files []*importFile
	for _, n := range names {
		raw, err := demo.Files.ReadFile(n)
		if err != nil {
			return nil, err
		}
		types := typesOf(n)
		if len(types) != 1 {
			return nil, errs.New(errs.Internal, "INTERNAL", n+" says no type")
		}
		files = append(files, newImportFile(n, types[0], int64(len(raw)), func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(raw)), nil }))
	}
	sortFiles(files)
	return files, nil
}

// bringIn imports the spreadsheets: what exists first, then what moved, then what happened.
func (r *demoRun) bringIn(ctx context.Context) error {
	files, err := demoFiles()
	if err != nil {
		return err
	}
	split := slices.IndexFunc(files, func(f *importFile) bool { return f.typ.isHistory() })
	for i, part := range [][]*importFile{files[:split], files[split:]} {
		im := r.app.newImporter(ctx, r.c)
		if err := im.run(part); err != nil {
			return err
		}
		later(r.reached, im.reached)
		var rows, created, unchanged int64
		for _, f := range part {
			if f.state != stateImported {
				if err := im.show(part, ""); err != nil {
					return err
				}
				return exitError{code: exitRejected}
			}
			rows, created, unchanged = rows+f.rows, created+f.created, unchanged+f.unchanged
		}
		what := []string{"shops, models, people, units and fittings", "24 months of rentals, services, tests and reports"}[i]
		r.step("%s: %d rows of %d files, %d new, %d unchanged", what, rows, len(part), created, unchanged)
		if i == 0 {
			if err := r.transfer(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// transfer moves what changed shops, unless it has.
func (r *demoRun) transfer(ctx context.Context) error {
	for _, t := range demoTransfers {
		u, err := r.c.unit(ctx, t.tag)
		if err != nil {
			return err
		}
		to := r.c.shop(t.shop)
		if slices.ContainsFunc(u.GetPlacements(), func(p *registrypb.Placement) bool { return p.GetShop() == to }) {
			continue
		}
		loc, err := r.c.zone(ctx, u.GetShop())
		if err != nil {
			return err
		}
		at, err := parseInstant(t.at, loc, dayStart)
		if err != nil {
			return err
		}
		resp, err := r.c.Registry.TransferUnit(ctx, &registrypb.TransferUnitRequest{Name: u.GetName(), DestinationShop: to, TransferTime: timestamppb.New(at)})
		if err != nil {
			return err
		}
		r.c.wrote(resp.GetPosition())
		later(r.reached, resp.GetPosition())
	}
	return nil
}

// catchUp waits until compliance has seen everything.
func (r *demoRun) catchUp(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	for {
		err := func() error {
			ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
			defer cancel()
			_, err := r.c.Compliance.SummarizeFleet(ctx, &compliancepb.SummarizeFleetRequest{Parent: r.c.Org.Name(), AtLeast: r.reached})
			return err
		}()
		switch {
		case err == nil:
			r.step("compliance has seen it all: %d changes of the registry, %d entries of the ledger", r.reached.GetRegistry(), r.reached.GetHistory())
			return nil
		case ctx.Err() != nil:
			return errors.Join(err, ctx.Err())
		case explain(err).code != exitUnavailable:
			return err
		}
		r.step("compliance is still reading")
	}
}
