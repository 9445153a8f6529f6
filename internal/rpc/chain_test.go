package rpc_test

import (
	"testing"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestCallGoesThrough(t *testing.T) {
	r := newRig(t)
	got, err := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	if err != nil || got.GetOrg().GetName() != "orgs/reef" {
		t.Fatalf("got %v, %v", got, err)
	}
}
