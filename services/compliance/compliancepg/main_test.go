package compliancepg_test

import (
	"encoding/json"
	"testing"

	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

func TestMain(m *testing.M) { pgtest.Main(m, compliancepg.Schema) }

// long marks a test that takes long and has no races that others do not have: with -short it is left out.
func long(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("it takes long")
	}
}

func TestTenancy(t *testing.T) {
	t.Parallel()
	pgtest.CheckTenancy(t, pgtest.New(t), compliancepg.Schema)
}

// decode reads packs that the tests store as JSON of due.Pack.
func decode(id string, body []byte) (p due.Pack, err error) {
	err = json.Unmarshal(body, &p)
	p.ID = id
	for i := range p.Rules {
		p.Rules[i].Pack = id
	}
	return p, err
}

func encode(t testing.TB, p due.Pack) []byte {
	t.Helper()
	body, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return body
}
