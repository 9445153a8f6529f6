package board

import (
	"fmt"
	"net/url"
	"strings"
	"sync"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// useStrictQuery: the gateway keeps its parser in a package variable, which must not be written while another board reads it.
var useStrictQuery sync.Once

// strictQuery refuses a query parameter that is no field of the request, which the gateway would pass over: a list that is
// filtered by a misspelt condition looks like an answer.
type strictQuery struct{ runtime.DefaultQueryParser }

func (q strictQuery) Parse(m proto.Message, values url.Values, filter *utilities.DoubleArray) error {
	for key := range values {
		if !isField(m.ProtoReflect().Descriptor(), key) {
			return fmt.Errorf("the query parameter %q is not a field of the request", key)
		}
	}
	return q.DefaultQueryParser.Parse(m, values, filter)
}

// isField says whether key is a path of fields, for example atLeast.registry, in JSON or proto names.
func isField(d protoreflect.MessageDescriptor, key string) bool {
	name, rest, deeper := strings.Cut(key, ".")
	name, _, _ = strings.Cut(name, "[") // the key of a map
	f := d.Fields().ByJSONName(name)
	if f == nil {
		f = d.Fields().ByTextName(name)
	}
	switch {
	case f == nil:
		return false
	case !deeper:
		return true
	}
	return f.Message() != nil && !f.IsMap() && isField(f.Message(), rest)
}
