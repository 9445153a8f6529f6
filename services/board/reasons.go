package board

import (
	_ "embed"
	"encoding/json"
	"net/http"
	"sync"
)

//go:embed reasons.json
var reasonsJSON []byte

// reason explains one reason; see reasons.json, which is made from the comments in the proto.
type reason struct {
	Reason      string   `json:"reason"`
	Occurs      []string `json:"occurs"`
	Title       string   `json:"title"`
	Description string   `json:"description"`
}

var reasons = sync.OnceValue(func() map[string]reason {
	var list []reason
	if json.Unmarshal(reasonsJSON, &list) != nil {
		return nil // a test reads the embedded file
	}
	m := make(map[string]reason, len(list))
	for _, r := range list {
		m[r.Reason] = r
	}
	return m
})

func titleOf(name string) string { return reasons()[name].Title }

// allReasons lists what reasons there are.
func allReasons(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(reasonsJSON) // the client is gone if this fails
}

// oneReason explains the reason that a problem's type points at.
func oneReason(w http.ResponseWriter, r *http.Request) {
	e, ok := reasons()[r.PathValue("reason")]
	if !ok {
		(&Board{}).problem(w, r, problemOf(http.StatusNotFound, "NOT_FOUND", "there is no such reason; /problems lists them"))
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(e) // the client is gone if this fails
}
