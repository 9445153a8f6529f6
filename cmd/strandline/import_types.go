package main

import (
	"path/filepath"
	"slices"
	"strings"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"

	"strandline.example/strandline/internal/sheet"
)

// fileType is a kind of spreadsheet that can be brought in. The order of the table is the order of an import: what later
// types speak of comes first.
type fileType struct {
	name    string
	aliases []string // other words in a file's name that say the type
	schema  sheet.Schema
	example []string          // cells of the template's row, by column of the schema
	fields  map[string]string // last part of a proto field's path -> column
	// One of these makes the record of a row; nil if the row is faulty, which it has then reported.
	registry func(*check, *sheet.Row) *registrypb.ImportRecordsRequest_Record
	history  func(*check, *sheet.Row) *historypb.Entry
}

func (t *fileType) isHistory() bool { return t.history != nil }

// columns makes schema columns: each a heading with its aliases separated by "|"; a leading "!" means required.
func sheetColumns(specs ...string) []sheet.Column {
	var cols []sheet.Column
	for _, s := range specs {
		s, required := strings.CutPrefix(s, "!")
		names := strings.Split(s, "|")
		cols = append(cols, sheet.Column{Name: names[0], Aliases: names[1:], Required: required})
	}
	return cols
}

// The columns that every kind of history file has.
const (
	colTag    = "!tag|asset tag|unit|asset|equipment|equipment no|item"
	colDate   = "!date|day|on"
	colTime   = "time|at|hour of day"
	colShop   = "shop|store|branch"
	colTech   = "technician|tech|done by"
	colNote   = "note|notes|remark|remarks|comment|comments"
	colRef    = "reference|ref|rental|rental no|rental number|invoice|ticket"
	colGuess  = "estimated|estimate|guess|guessed"
	colDegree = "celsius|intake celsius|intake temperature|intake|temperature"
	colRolled = "rollover|rolled over|counts|meter counts"
	colMarked = "marked|mark|stamp|stamped|date marked"
	colBy     = "provider|station|test station|done at"
	freeAttr  = "attr:"
)

// historyFields is what history files share.
func historyFields(more ...string) map[string]string {
	return fieldMap(append([]string{"name", "tag", "unit", "tag", "occurred_time", "date", "shop", "shop", "technician", "technician", "note", "note",
		"reference", "reference", "dives", "dives", "running_time", "hours", "fills", "fills", "mark_date", "marked", "provider", "provider", "outcome", "outcome",
		"activities", "activities", "activity", "activity", "condition", "condition", "severity", "severity", "estimated", "estimated", "intake_celsius", "celsius"}, more...)...)
}

func fieldMap(pairs ...string) map[string]string {
	m := map[string]string{}
	for i := 0; i+1 < len(pairs); i += 2 {
		m[pairs[i]] = pairs[i+1]
	}
	return m
}

// fileTypes is filled by init, as the functions in it use the table.
var fileTypes []*fileType

func init() {
	fileTypes = []*fileType{
		{
			name: "shops", aliases: []string{"shop", "stores", "store", "branches"},
			schema:   sheet.Schema{What: "shop", Columns: sheetColumns("!id|shop|code", "!name|display name|shop name", "!time_zone|timezone|zone|tz", "!jurisdiction|country|state")},
			example:  []string{"harbour", "Harbour Street", "Europe/London", "GB"},
			fields:   fieldMap("name", "id", "display_name", "name", "time_zone", "time_zone", "jurisdiction", "jurisdiction"),
			registry: shopRecord,
		},
		{
			name: "models", aliases: []string{"model", "catalogue", "catalog"},
			schema: sheet.Schema{What: "model", Free: freeAttr, Columns: sheetColumns("!id|model|model id|code", "!name|display name|model name", "!kind|type|category", "maker|manufacturer|brand", "size",
				"specification|spec", "alloy", "gas", "working_pressure|service pressure|pressure")},
			example:  []string{"alu-11", "Aluminium 11 L", "cylinder", "Saltmark", "11 L", "3AL", "6061-T6", "air", "207 bar"},
			fields:   fieldMap("name", "id", "display_name", "name", "kind", "kind", "maker", "maker", "size", "size", "attributes", "specification"),
			registry: modelRecord,
		},
		{
			name: "technicians", aliases: []string{"technician", "staff", "techs"},
			schema: sheet.Schema{What: "technician", Columns: sheetColumns("!id|technician|code", "!name|display name|full name", "activity|qualified for|qualification", "kind|equipment kind", "issuer|issued by",
				"valid_from|from", "valid_through|valid until|until|expires")},
			example:  []string{"ines", "Ines Tamm", "overhaul", "first-stage", "in house", "2025-01-10", "2027-01-09"},
			fields:   fieldMap("name", "id", "display_name", "name", "activity", "activity", "kind", "kind", "issuer", "issuer", "valid_from_date", "valid_from", "valid_through_date", "valid_through"),
			registry: technicianRecord,
		},
		{
			name: "units", aliases: []string{"unit", "fleet", "gear", "equipment", "assets"},
			schema: sheet.Schema{What: "unit", Free: freeAttr, Columns: sheetColumns(colTag, "serial|serial number|serial no|s/n", "!model|model id", "!shop|store|branch", "manufactured|made|manufacture date|date of manufacture|born",
				"!commissioned|in service|in fleet since|bought|first day", "size", "specification|spec", "alloy", "gas", "working_pressure|service pressure|pressure")},
			example: []string{"GB-CYL-014", "SM-20417", "alu-11", "harbour", "2021-03", "2021-05-04"},
			fields: fieldMap("asset_tag", "tag", "name", "tag", "serial_number", "serial", "model", "model", "shop", "shop", "manufacture_date", "manufactured", "commission_date", "commissioned",
				"size", "size", "attributes", "specification"),
			registry: unitRecord,
		},
		{
			name: "fittings", aliases: []string{"fitting", "assemblies", "sets"},
			schema:   sheet.Schema{What: "fitting", Columns: sheetColumns("!part|part tag|component", "!host|host tag|set|fitted to|assembly", "place|position", "!from|fitted|fitted on|date", "from_time|fitted at", "to|removed|until|removed on", "to_time|removed at")},
			example:  []string{"GB-FST-014", "GB-REG-014", "first stage", "2024-11-02", "09:00"},
			fields:   fieldMap("part_tag", "part", "host_tag", "host", "part", "part", "host", "host", "place", "place", "fit_time", "from", "unfit_time", "to", "name", "part", "parent", "part"),
			registry: fittingRecord,
		},
		{
			name: "usage", aliases: []string{"rentals", "rental", "fills", "dives", "hires"},
			schema:  sheet.Schema{What: "usage", Columns: sheetColumns(colTag, colDate, colTime, "dives|no of dives|number of dives", "hours|running hours|run hours", "fills|no of fills", colGuess, colDegree, colRef, colShop, colTech, colNote)},
			example: []string{"GB-REG-014", "2026-06-05", "16:40", "4", "", "", "no", "", "R-20931"},
			fields:  historyFields(),
			history: usageEntry,
		},
		{
			name: "meters", aliases: []string{"meter", "readings"},
			schema:  sheet.Schema{What: "meter reading", Columns: sheetColumns(colTag, colDate, colTime, "!measure|of|metered", "!reading|value|shows", "new_start|new meter|replaced with", colRolled, colGuess, colDegree, colRef, colShop, colTech, colNote)},
			example: []string{"GB-CMP-001", "2026-06-30", "18:00", "hours", "412.5"},
			fields:  historyFields("dives", "reading", "running_time", "reading", "fills", "reading", "reading", "reading", "replacement_start", "new_start", "rollover", "rollover"),
			history: meterEntry,
		},
		{
			name: "services", aliases: []string{"service", "servicing", "overhauls"},
			schema:  sheet.Schema{What: "service", Columns: sheetColumns(colTag, colDate, colTime, "!activities|activity|work|work done|job", "!outcome|result", colMarked, colBy, colTech, colShop, colNote)},
			example: []string{"GB-FST-014", "2026-03-09", "14:30", "overhaul", "pass", "", "", "ines"},
			fields:  historyFields("activity", "activities"),
			history: serviceEntry,
		},
		{
			name: "tests", aliases: []string{"test", "testing"},
			schema:  sheet.Schema{What: "test", Columns: sheetColumns(colTag, colDate, colTime, "!activity|test|kind of test", "!outcome|result|verdict", colMarked, colBy, colTech, colShop, colNote)},
			example: []string{"GB-CYL-014", "2026-03-09", "", "hydrostatic-test", "pass", "2026-03", "Harrow Pressure Works"},
			fields:  historyFields(),
			history: testEntry,
		},
		{
			name: "conditions", aliases: []string{"condition", "incidents", "incident", "defects"},
			schema:  sheet.Schema{What: "condition report", Columns: sheetColumns(colTag, colDate, colTime, "!condition|what|what happened|defect", "!severity|action", colTech, colShop, colNote)},
			example: []string{"GB-REG-014", "2026-07-19", "11:20", "free-flow", "pull"},
			fields:  historyFields(),
			history: conditionEntry,
		},
		{
			name: "amendments", aliases: []string{"amendment", "corrections", "correction"},
			schema: sheet.Schema{What: "amendment", Columns: sheetColumns(colTag, colDate, colTime, "corrects|corrects reference|wrong reference", "corrects_type|wrong type|type", "corrects_date|wrong date", "corrects_time|wrong time",
				"!reason|why", "void|never happened", "new_date|right date", "new_time|right time", "dives", "hours", "fills", "activities|activity", "outcome|result", colMarked, colBy, "condition", "severity",
				"reading|value|shows", "new_start|new meter|replaced with", colRolled, colGuess, colDegree, colTech, colShop, colNote)},
			example: []string{"GB-REG-014", "2026-06-08", "09:15", "R-20931", "", "", "", "typed 40 instead of 4", "", "", "", "4"},
			fields:  historyFields("activity", "activities", "corrected_entry", "corrects", "reason", "reason", "reading", "reading", "replacement_start", "new_start", "rollover", "rollover"),
			history: amendmentEntry,
		},
	}
}

// typeNamed returns the type of that name.
func typeNamed(name string) *fileType {
	for _, t := range fileTypes {
		if t.name == name {
			return t
		}
	}
	return nil
}

func typeNames() []string {
	var names []string
	for _, t := range fileTypes {
		names = append(names, t.name)
	}
	return names
}

// typesOf returns the types that a file's name speaks of: "usage-harbour.csv" is usage.
func typesOf(path string) []*fileType {
	base := strings.ToLower(filepath.Base(path))
	base = strings.TrimSuffix(base, filepath.Ext(base))
	words := strings.FieldsFunc(base, func(r rune) bool { return r < 'a' || r > 'z' })
	var found []*fileType
	for _, w := range words {
		for _, t := range fileTypes {
			if (t.name == w || slices.Contains(t.aliases, w)) && !slices.Contains(found, t) {
				found = append(found, t)
			}
		}
	}
	return found
}

// template is the header and the example row of a type, as CSV with commas.
func (t *fileType) template() string {
	var head []string
	for _, c := range t.schema.Columns {
		head = append(head, c.Name)
	}
	row := slices.Clone(t.example)
	for len(row) < len(head) {
		row = append(row, "")
	}
	quote := func(cells []string) string {
		out := make([]string, len(cells))
		for i, c := range cells {
			if strings.ContainsAny(c, ",\"\n") {
				c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
			}
			out[i] = c
		}
		return strings.Join(out, ",")
	}
	return quote(head) + "\n" + quote(row) + "\n"
}

// knownKinds are the kinds of equipment that the API's documentation names; an org may have others.
var knownKinds = []string{
	"first-stage", "second-stage", "alternate-second-stage", "regulator-set", "bcd", "cylinder", "cylinder-valve", "pressure-gauge", "dive-computer",
	"exposure-suit", "oxygen-kit", "compressor", "bench-instrument",
}
