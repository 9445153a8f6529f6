package board_test

import (
	"encoding/json"
	"net/http"
	"os"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

type schema struct {
	Ref        string `json:"$ref"`
	Properties map[string]any
}

type openAPI struct {
	Swagger             string
	Paths               map[string]map[string]operation
	Definitions         map[string]schema
	SecurityDefinitions map[string]any
	Security            []map[string][]string
}

type operation struct {
	OperationID string `json:"operationId"`
	Summary     string
	Responses   map[string]struct{ Schema schema }
}

func served(t *testing.T) openAPI {
	t.Helper()
	resp := newRig(t).call(t, "GET", "/openapi.json", "", "-Authorization")
	if resp.status != http.StatusOK || resp.header.Get("Content-Type") != "application/json" {
		t.Fatalf("%d %s", resp.status, resp.header.Get("Content-Type"))
	}
	var api openAPI
	if err := json.Unmarshal([]byte(resp.body), &api); err != nil {
		t.Fatal(err)
	}
	return api
}

// The file tells of every call that the gateway takes, of the token it needs and of the problem it may answer.
func TestOpenAPIIsComplete(t *testing.T) {
	api := served(t)
	if api.Swagger != "2.0" || api.SecurityDefinitions["bearer"] == nil || len(api.Security) != 1 || api.Security[0]["bearer"] == nil {
		t.Errorf("swagger %q, security %v %v", api.Swagger, api.SecurityDefinitions, api.Security)
	}
	operations := map[string]bool{}
	for path, methods := range api.Paths {
		for method, op := range methods {
			operations[op.OperationID] = true
			if op.Summary == "" {
				t.Errorf("%s %s has no summary", method, path)
			}
			if got := op.Responses["default"].Schema.Ref; got != "#/definitions/v1Problem" {
				t.Errorf("%s %s answers errors as %q", method, path, got)
			}
			if answer := op.Responses["200"].Schema; answer.Ref == "" && answer.Properties["result"] == nil { // of a stream, line by line
				t.Errorf("%s %s has no answer", method, path)
			}
		}
	}
	fields := (&typepb.Problem{}).ProtoReflect().Descriptor().Fields()
	if len(api.Definitions["v1Problem"].Properties) != fields.Len() {
		t.Errorf("problem has %v", api.Definitions["v1Problem"].Properties)
	}
	for i := range fields.Len() {
		if api.Definitions["v1Problem"].Properties[fields.Get(i).JSONName()] == nil {
			t.Errorf("problem lacks %s", fields.Get(i).JSONName())
		}
	}
	bound := 0
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				m := s.Methods().Get(j)
				if !strings.HasPrefix(string(s.FullName()), "strandline.") || !proto.HasExtension(m.Options(), annotations.E_Http) {
					continue
				}
				rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
				for n := range 1 + len(rule.GetAdditionalBindings()) {
					bound++
					id := string(s.Name()) + "_" + string(m.Name())
					if n > 0 { // a call with several paths is one operation for each
						id += strconv.Itoa(n + 1)
					}
					if !operations[id] {
						t.Errorf("%s is missing", id)
					}
				}
			}
		}
		return true
	})
	if bound < 30 || bound != len(operations) {
		t.Errorf("%d bound RPCs, %d operations", bound, len(operations))
	}
}

// Every path of the file is one that the gateway answers: anything but "nothing is at this path".
func TestOpenAPIPathsAreServed(t *testing.T) {
	r := newRig(t)
	for path, methods := range served(t).Paths {
		for method := range methods {
			at := path
			for strings.Contains(at, "{") {
				at = at[:strings.Index(at, "{")] + "reef" + at[strings.Index(at, "}")+1:]
			}
			resp := r.call(t, strings.ToUpper(method), at, "{}", "-Authorization")
			if resp.status == http.StatusNotFound || resp.status == http.StatusMethodNotAllowed {
				t.Errorf("%s %s: %d", method, path, resp.status)
			}
		}
	}
}

// Every reason of the proto has a page, with the comment that stands on it.
func TestReasonPages(t *testing.T) {
	r := newRig(t)
	source, err := os.ReadFile("../../proto/strandline/type/v1/reason.proto")
	if err != nil {
		t.Fatal(err)
	}
	var list []map[string]any
	if err := json.Unmarshal([]byte(r.call(t, "GET", "/problems", "", "-Authorization").body), &list); err != nil {
		t.Fatal(err)
	}
	if len(list) != len(typepb.Reason_name)-1 {
		t.Errorf("%d reasons, want %d; run go generate ./services/board", len(list), len(typepb.Reason_name)-1)
	}
	for name := range typepb.Reason_value {
		short := strings.TrimPrefix(name, "REASON_")
		resp := r.call(t, "GET", "/problems/"+short, "", "-Authorization")
		if short == "UNSPECIFIED" {
			if resp.status != 404 {
				t.Errorf("%s: %d", short, resp.status)
			}
			continue
		}
		var got struct {
			Reason, Title, Description string
			Occurs                     []string
		}
		if err := json.Unmarshal([]byte(resp.body), &got); err != nil || resp.status != 200 || got.Reason != short || len(got.Occurs) == 0 {
			t.Errorf("%s: %d %+v %v", short, resp.status, got, err)
			continue
		}
		if !strings.Contains(strings.ToLower(string(source)), strings.ToLower(got.Description)) || !strings.HasPrefix(got.Description, got.Title) || got.Title == "" {
			t.Errorf("%s: %q is not what the proto says", short, got.Description)
		}
	}
}
