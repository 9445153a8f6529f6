package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/sheet"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

func newImportCmd(a *app) *cobra.Command {
	var dryRun, newKinds bool
	var report, template, as, encoding, order string
	cmd := &cobra.Command{
		Use:         "import PATH...",
		Short:       "bring shops, units and their history in from spreadsheets (CSV)",
		Annotations: map[string]string{writes: ""},
		Long: `Reads CSV files, or the CSV files of folders. What a file holds is told by a word in its name: ` + strings.Join(typeNames(), ", ") + ` (usage-harbour.csv,
2026_units.csv); or by --as. They are brought in in this order, so that units are there before their history.

Each file is imported whole or not at all. A row that is there already is unchanged, so a file may be imported again, with rows
added. With --dry-run everything is checked, every problem in every file is listed, and nothing is written.

Files may be UTF-8, UTF-16 with its mark, or Windows-1252; with commas, semicolons or tabs; with decimal commas. Times are
local to the shop of the row: the one of its shop column, else the one where the unit was. A time that clocks showed twice in
autumn is the first of the two; one that they skipped in spring is a problem. A date without a time is noon. Dates are written
2026-03-09 or 09.03.2026, a month 2026-03; 03/09/2026 is refused unless --date-order says which is the day.

A row of history is known again by the kind of file, the unit's tag, the instant and the shop's own reference or, without
one, what happened. What is wrong in the ledger is corrected by a row in amendments.csv, never by changing the row.`,
		Example: `  strandline import --template units > units.csv
  strandline import --dry-run sheets/
  strandline import sheets/ --report problems.csv
  strandline import --as usage --date-order mdy june.csv`,
		Args: func(_ *cobra.Command, args []string) error {
			if template == "" && len(args) == 0 {
				return usagef("say which files or folders; 'strandline import --template units' shows what a file looks like")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if template != "" {
				t := typeNamed(template)
				if t == nil {
					return usagef("--template %q: want one of %s", template, strings.Join(typeNames(), ", "))
				}
				a.printf("%s", t.template())
				return nil
			}
			enc, ok := sheet.ParseEncoding(encoding)
			if !ok {
				return usagef("--encoding %q: want auto, utf-8, windows-1252, utf-16le or utf-16be", encoding)
			}
			ord, ok := sheet.ParseDateOrder(order)
			if !ok {
				return usagef("--date-order %q: want dmy or mdy", order)
			}
			files, err := findFiles(args, as)
			if err != nil {
				return err
			}
			c, err := a.connect(cmd.Context())
			if err != nil {
				return err
			}
			im := a.newImporter(cmd.Context(), c)
			im.encoding, im.order, im.newKinds, im.dryRun = enc, ord, newKinds, dryRun
			if err := im.run(files); err != nil {
				return err
			}
			if report != "" {
				if err := writeProblems(report, files); err != nil {
					return err
				}
			}
			if err := im.show(files, report); err != nil {
				return err
			}
			for _, f := range files {
				if f.state == stateRejected || f.state == stateWaiting {
					return exitError{code: exitRejected}
				}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, list every problem, write nothing")
	cmd.Flags().StringVar(&report, "report", "", "also write the problems to this CSV `file`")
	cmd.Flags().StringVar(&template, "template", "", "print a header with an example row of a `type` of file, and end")
	cmd.Flags().StringVar(&as, "as", "", "read every file as this `type`, whatever its name")
	cmd.Flags().StringVar(&encoding, "encoding", "auto", "`encoding` of the files: auto, utf-8, windows-1252, utf-16le or utf-16be")
	cmd.Flags().StringVar(&order, "date-order", "", "how 03/09/2026 is written: dmy or mdy (`order`)")
	cmd.Flags().BoolVar(&newKinds, "allow-new-kinds", false, "take kinds of equipment that are not known yet")
	return cmd
}

// findFiles returns the files that paths name, in the order of an import.
func findFiles(paths []string, as string) ([]*importFile, error) {
	var forced *fileType
	if as != "" {
		if forced = typeNamed(as); forced == nil {
			return nil, usagef("--as %q: want one of %s", as, strings.Join(typeNames(), ", "))
		}
	}
	var files []*importFile
	seen := map[string]bool{}
	add := func(path, label string, size int64) error {
		abs, err := filepath.Abs(path)
		if err != nil {
			return err
		}
		if seen[abs] {
			return nil
		}
		seen[abs] = true
		f := newImportFile(label, forced, size, func() (io.ReadCloser, error) { return os.Open(path) })
		if f.typ == nil {
			switch found := typesOf(path); len(found) {
			case 1:
				f.typ = found[0]
			case 0:
				return usagef("%s: its name does not say what it holds; name it after one of %s, or pass --as", label, strings.Join(typeNames(), ", "))
			default:
				return usagef("%s: its name says both %s and %s; rename it, or pass --as", label, found[0].name, found[1].name)
			}
		}
		files = append(files, f)
		return nil
	}
	for _, p := range paths {
		info, err := os.Stat(p)
		if err != nil {
			return nil, errs.New(errs.NotFound, "NOT_FOUND", err.Error(), "path", p)
		}
		if !info.IsDir() {
			if !info.Mode().IsRegular() {
				return nil, usagef("%s is not a file: it is read more than once, so a pipe will not do", p)
			}
			if err := add(p, p, info.Size()); err != nil {
				return nil, err
			}
			continue
		}
		n := len(files)
		err = filepath.WalkDir(p, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			ext := strings.ToLower(filepath.Ext(path))
			if d.IsDir() || strings.HasPrefix(d.Name(), ".") || (ext != ".csv" && ext != ".tsv") {
				return nil
			}
			info, err := d.Info()
			if err != nil {
				return err
			}
			return add(path, path, info.Size())
		})
		if err != nil {
			return nil, err
		}
		if len(files) == n {
			return nil, usagef("%s has no CSV files", p)
		}
	}
	sortFiles(files)
	return files, nil
}

func newImportFile(label string, typ *fileType, size int64, open func() (io.ReadCloser, error)) *importFile {
	return &importFile{label: label, typ: typ, size: size, open: open, needs: map[*importFile]bool{}}
}

func sortFiles(files []*importFile) {
	slices.SortStableFunc(files, func(x, y *importFile) int {
		return cmp.Or(slices.Index(fileTypes, x.typ)-slices.Index(fileTypes, y.typ), strings.Compare(x.label, y.label))
	})
}

// importer brings files in.
type importer struct {
	app     *app
	ctx     context.Context
	clients *clients // nil where rows are only checked against a given world
	world   *world
	files   []*importFile
	targets *targets
	reached *typepb.Position // the last change of the import
	local   map[string]bool  // entries of this import, not in the ledger yet, that amendments of it correct

	encoding sheet.Encoding
	order    sheet.DateOrder
	newKinds bool
	dryRun   bool
	quiet    bool
	meter    *importMeter
}

func (a *app) newImporter(ctx context.Context, c *clients) *importer {
	return &importer{app: a, ctx: ctx, clients: c, world: newWorld(c.Org, a.clk.Now()), local: map[string]bool{}, reached: &typepb.Position{}}
}

// run brings the files in, or checks them. What is wrong with a file stands in it; an error ends the run, and what was
// imported before stays.
func (im *importer) run(files []*importFile) error {
	sortFiles(files)
	im.files = files
	units := slices.ContainsFunc(files, func(f *importFile) bool {
		return f.typ.isHistory() || f.typ.name == "units" || f.typ.name == "fittings"
	})
	if err := im.world.load(im.ctx, im.clients, units); err != nil {
		return err
	}
	im.meter = im.app.newImportMeter(files, im.quiet)
	defer im.meter.end()
	if err := im.lookFor(files); err != nil {
		return err
	}
	stale := false
	for _, f := range files {
		if stale && (f.typ.isHistory() || f.typ.name == "fittings") {
			// The names of the units that have just been created are the registry's to give.
			if err := im.world.loadUnits(im.ctx, im.clients); err != nil {
				return err
			}
			stale = false
		}
		if err := im.bring(f); err != nil {
			return fmt.Errorf("%s: %w", f.label, err)
		}
		stale = stale || f.typ.name == "units" && f.state == stateImported
	}
	return nil
}

// bring imports one file: it is checked first, and sent only if it is good; if not, it is rehearsed, so that the server's
// problems are known as well.
func (im *importer) bring(f *importFile) error {
	if err := im.walk(f, false, im.meter.tick(f, 0), nil); err != nil {
		return err
	}
	var needed []*importFile
	for _, n := range im.files {
		if f.needs[n] {
			needed = append(needed, n)
		}
	}
	// In a real run only rejected files are still needed: the others' things are there.
	real := !im.dryRun && f.count == 0 && len(needed) == 0
	if err := im.deliver(f, needed, !real); err != nil {
		return err
	}
	switch {
	case f.count > 0:
		f.state = stateRejected
	case real:
		f.state = stateImported
		im.world.created(f)
	case im.dryRun:
		f.state = stateChecked
	default:
		f.state, f.waitingFor = stateWaiting, needed[0]
	}
	return nil
}

// deliver sends a good file, or rehearses one. What the registry does not have yet and a rehearsed file speaks of is sent
// before it on the same stream; history is told of units that are planned.
func (im *importer) deliver(f *importFile, needed []*importFile, rehearse bool) error {
	s, err := im.open(f.typ.isHistory(), rehearse)
	if err != nil {
		return err
	}
	var before []*importFile
	if !f.typ.isHistory() {
		before = im.closure(needed)
	}
	for i, n := range before {
		s.file(i, n)
		if err := im.walk(n, true, nil, s.send); err != nil {
			return errors.Join(err, s.abandon())
		}
	}
	s.file(len(before), f)
	if err := im.walk(f, true, im.meter.tick(f, f.size), s.send); err != nil {
		return errors.Join(err, s.abandon())
	}
	return s.finish()
}

// closure returns the files and those that they need, in the order of the import.
func (im *importer) closure(files []*importFile) []*importFile {
	in := map[*importFile]bool{}
	var add func(f *importFile)
	add = func(f *importFile) {
		if !in[f] {
			in[f] = true
			for n := range f.needs {
				add(n)
			}
		}
	}
	for _, f := range files {
		add(f)
	}
	var out []*importFile
	for _, f := range im.files {
		if in[f] {
			out = append(out, f)
		}
	}
	return out
}

// created says that what a file defines is there now. Units are read again, for their names.
func (w *world) created(f *importFile) {
	for _, s := range w.shops {
		if s.origin == f {
			s.origin = nil
		}
	}
	for _, m := range w.models {
		if m.origin == f {
			m.origin = nil
			w.kinds[m.kind] = true
		}
	}
	for _, t := range w.technicians {
		if t.origin == f {
			t.origin = nil
		}
	}
}
