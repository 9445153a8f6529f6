package rpc

import (
	"context"
	"slices"
	"strings"
	"sync"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
)

// ownOrg refuses a message in which a resource name is of another org than the caller's, whether or not the resource exists.
// A string that is no resource name at all is left to validation. Calls that touch no stored data are not checked: what they
// name is their own.
func (s *Server) ownOrg(ctx context.Context, full string, m proto.Message) error {
	if s.methods[full].permission == authpb.Permission_PERMISSION_AUTHENTICATED {
		return nil
	}
	c, ok := tenant.FromContext(ctx)
	if !ok {
		return errs.New(errs.Unauthenticated, "TOKEN_MISSING", "the request carries no token")
	}
	if c.AllOrgs {
		return nil
	}
	r := m.ProtoReflect()
	field := nameFields(r.Descriptor()).foreign(r, c.Org.ID)
	if field == "" {
		return nil
	}
	return errs.New(errs.Denied, "ORG_MISMATCH", "the request names another org than the token, in "+field, "field", field)
}

// nameTree says where in messages of one type resource names stand.
type nameTree struct {
	names    []protoreflect.FieldDescriptor // strings, single or repeated
	children []nameChild
}

type nameChild struct {
	field protoreflect.FieldDescriptor // a message, single or repeated
	tree  *nameTree
}

var nameTrees sync.Map // protoreflect.FullName -> *nameTree

// nameFields returns the tree of a request type: the top-level fields by which requests address resources, the name of the
// resource in an update, and at any depth each field whose validation pattern says that it holds a resource name.
func nameFields(d protoreflect.MessageDescriptor) *nameTree {
	if t, ok := nameTrees.Load(d.FullName()); ok {
		return t.(*nameTree)
	}
	t := growTree(d, true, map[protoreflect.FullName]*nameTree{})
	t.prune(map[*nameTree]bool{})
	nameTrees.Store(d.FullName(), t)
	return t
}

// prune drops the branches without names, so that checking a batch costs no more than looking at the names in it. It says whether
// anything is left; a tree that is being pruned (a message that contains itself) counts as something.
func (t *nameTree) prune(done map[*nameTree]bool) bool {
	if left, ok := done[t]; ok {
		return left
	}
	done[t] = true
	t.children = slices.DeleteFunc(t.children, func(c nameChild) bool { return !c.tree.prune(done) })
	done[t] = len(t.names)+len(t.children) > 0
	return done[t]
}

func growTree(d protoreflect.MessageDescriptor, request bool, seen map[protoreflect.FullName]*nameTree) *nameTree {
	if t, ok := seen[d.FullName()]; ok {
		return t
	}
	t := &nameTree{}
	seen[d.FullName()] = t
	update := request && d.Fields().ByName("update_mask") != nil
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		switch {
		case f.IsMap():
		case f.Kind() == protoreflect.StringKind:
			if request && addresses(f.Name()) || patterned(f) {
				t.names = append(t.names, f)
			}
		case f.Kind() == protoreflect.MessageKind:
			child := growTree(f.Message(), false, seen)
			if name := f.Message().Fields().ByName("name"); update && !f.IsList() && name != nil && name.Kind() == protoreflect.StringKind && !patterned(name) {
				copied := *child
				copied.names = append([]protoreflect.FieldDescriptor{name}, child.names...)
				child = &copied
			}
			t.children = append(t.children, nameChild{f, child})
		}
	}
	return t
}

func addresses(field protoreflect.Name) bool {
	switch field {
	case "parent", "name", "unit", "names", "units", "shop", "destination_shop":
		return true
	}
	return false
}

// patterned says whether the field's validation wants a resource name.
func patterned(f protoreflect.FieldDescriptor) bool {
	return strings.HasPrefix(strings.TrimLeft(Pattern(f), "^("), "orgs/")
}

// Pattern returns the regular expression that validation holds against a string field (or the items of a repeated one), or "".
func Pattern(f protoreflect.FieldDescriptor) string {
	if f.Options() == nil || !proto.HasExtension(f.Options(), validate.E_Field) {
		return ""
	}
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	if f.IsList() {
		rules = rules.GetRepeated().GetItems()
	}
	return rules.GetString().GetPattern()
}

// foreign returns the path of the first resource name that is of another org, or "".
func (t *nameTree) foreign(m protoreflect.Message, org string) string {
	for _, f := range t.names {
		if f.IsList() {
			list := m.Get(f).List()
			for i := range list.Len() {
				if ofOther(list.Get(i).String(), org) {
					return string(f.Name())
				}
			}
		} else if ofOther(m.Get(f).String(), org) {
			return string(f.Name())
		}
	}
	for _, c := range t.children {
		if !m.Has(c.field) {
			continue
		}
		if c.field.IsList() {
			list := m.Get(c.field).List()
			for i := range list.Len() {
				if path := c.tree.foreign(list.Get(i).Message(), org); path != "" {
					return string(c.field.Name()) + "." + path
				}
			}
		} else if path := c.tree.foreign(m.Get(c.field).Message(), org); path != "" {
			return string(c.field.Name()) + "." + path
		}
	}
	return ""
}

func ofOther(name, org string) bool {
	rest, ok := strings.CutPrefix(name, "orgs/")
	if !ok {
		return false
	}
	id, _, _ := strings.Cut(rest, "/")
	return id != org
}
