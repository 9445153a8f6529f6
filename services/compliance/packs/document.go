package packs

import (
	"regexp"
	"strings"

	"strandline.example/strandline/internal/yamlproto"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// shape is what files of rule packs hold.
var shape = yamlproto.Shape{
	One: "rule pack", Short: "pack", Many: "packs", Begin: "title, effectiveDate, rules", Pair: "{alloy: 6061-T6}",
	Examples: map[string]string{
		`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`: "valve-service",
		`^[a-z][a-z0-9-]{0,47}$`:               "first-stage",
		`^([a-z][a-z0-9-]{0,47})?$`:            "visual-inspection",
		`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`:          "US or US-CA",
		`^[a-z][a-z0-9_]{0,47}$`:               "alloy",
	},
}

var namePattern = regexp.MustCompile(`^(?:orgs/([a-z0-9-]{1,40})/)?rulePacks/([a-z0-9-]{1,40})$`)

// readDocument reads one pack of a file. id is that of a pack without a name, known what the packs before it compiled.
func readDocument(id string, f *yamlproto.Document, known *compiled) Document {
	d := Document{ID: id, Message: &compliancepb.RulePack{}, Line: f.Line()}
	fields := f.Decode(d.Message)
	if name := d.Message.GetName(); name != "" {
		if m := namePattern.FindStringSubmatch(name); m != nil {
			d.Org, d.ID = m[1], m[2]
		} else {
			f.Bad("name", name, "want rulePacks/{pack}, or orgs/{org}/rulePacks/{pack}")
		}
	}
	d.Message.Name = ""
	if !fields {
		return d
	}
	r := reader{known: known}
	d.Pack = r.pack(d.ID, "", d.Message)
	f.Validate(d.Message)
	contradictions(f, &r)
	return d
}

// contradictions tells where rules contradict themselves.
func contradictions(f *yamlproto.Document, r *reader) {
	for _, v := range r.violations {
		v.Field = strings.TrimPrefix(v.Field, ".")
		p := r.predicates["."+v.Field]
		if v.Field == "name" && !f.Stated("name") && !f.Broken("name") {
			v.Description = "the pack states no name, and what the file is called is no id: state name: rulePacks/{pack}, of lower-case letters, digits and hyphens"
		}
		switch {
		case f.Told(v.Field) || f.Broken(v.Field) || p == nil && f.BrokenItem(v.Field):
		case p != nil:
			f.WrongAt(v.Field, p.Line, p.Column, v.Value, p.Text, v.Description)
		default:
			f.Wrong(v.Field, v.Value, v.Description)
		}
	}
}
