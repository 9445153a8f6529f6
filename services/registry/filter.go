package registry

// Filter says which rows a list shows. The zero Filter shows all.
type Filter struct {
	Op    FilterOp
	Field string   // of Equal: a field of the list
	Value string   // of Equal: an id, a tag or a plain value, never a resource name
	Args  []Filter // of And, Or (two or more) and Not (one)
}

// FilterOp is what a filter does.
type FilterOp int

// The operations.
const (
	All FilterOp = iota
	Equal
	And
	Or
	Not
)
