package historyrpc_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/procedure"
)

func (r *rig) proceduresAs(org, role string) historypb.ProcedureServiceClient {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "person-of-" + org, Role: role, Org: org, Issued: r.clock.Now(), Expires: r.clock.Now().Add(1000 * time.Hour)})
	if err != nil {
		r.t.Fatal(err)
	}
	return historypb.NewProcedureServiceClient(r.dial(r.server, rpc.BearerToken(token)))
}

// rinsing is a procedure without a name.
func rinsing(revision int, title string) string {
	return fmt.Sprintf(`revision: %d
title: %s
kinds: [slate]
purpose: rinsing
activities: [rinsing]
qualification: rinsing
cautions: [Local code and the maker's manual win over this procedure.]
steps: [{id: rinse, do: Rinse it., critical: true}]
`, revision, title)
}

func publish(t *testing.T, c historypb.ProcedureServiceClient, org, source string) []*historypb.PublishedProcedure {
	t.Helper()
	out, err := c.PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + org, Source: source, ProcedureId: "rinsing"})
	if err != nil {
		t.Fatal(err)
	}
	return out.GetProcedures()
}

// TestPublishProcedures: a revision is published once, answered as it stands when it comes again, and refused with other content; all of a file or none.
func TestPublishProcedures(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.proceduresAs(orgA, auth.RoleChainManager)
	first := publish(t, c, orgA, "# Ours.\n"+rinsing(1, "Rinsing"))
	if len(first) != 1 || first[0].GetProcedure().GetName() != "orgs/"+orgA+"/procedures/rinsing" || first[0].GetShipped() || first[0].GetPublisher() != "person-of-"+orgA || !first[0].GetPublishTime().AsTime().Equal(start) {
		t.Fatalf("published %v", first)
	}
	r.clock.Advance(time.Hour)
	if again := publish(t, c, orgA, rinsing(1, "'Rinsing'  # the same in other words")); !proto.Equal(again[0], first[0]) {
		t.Errorf("again it is %v, was %v", again, first)
	}
	refused := func(code codes.Code, reason, source string, wants ...string) {
		t.Helper()
		before := r.queryInt(`select count(*) from history.procedures`)
		_, err := c.PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: source, ProcedureId: "rinsing"})
		st := wantError(t, err, code, reason)
		text := st.Message()
		for _, d := range st.Details() {
			if b, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range b.GetFieldViolations() {
					text += "\n" + v.GetField() + ": " + v.GetDescription()
				}
			}
		}
		for _, w := range wants {
			if !strings.Contains(text, w) {
				t.Errorf("want %q in\n%s", w, text)
			}
		}
		if after := r.queryInt(`select count(*) from history.procedures`); after != before {
			t.Errorf("a file that was refused left %d rows", after-before)
		}
	}
	ids, err := procedure.Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	const parted = "---\n"
	refused(codes.AlreadyExists, "ALREADY_EXISTS", rinsing(1, "Something else"), "state revision 2")
	refused(codes.AlreadyExists, "ALREADY_EXISTS", "name: procedures/fresh\n"+rinsing(1, "A fresh one")+parted+rinsing(1, "Something else"))
	refused(codes.InvalidArgument, "PROCEDURE_INVALID", "name: orgs/elsewhere/procedures/rinsing\n"+rinsing(2, "Rinsing"), "source: line 1, column 1: name", "another org")
	refused(codes.InvalidArgument, "PROCEDURE_INVALID", rinsing(2, "Rinsing")+parted+"name: procedures/"+ids[0]+"\n"+rinsing(1, "Shipped"), "source: line 10, column 1: name", "procedures/our-"+ids[0])
	refused(codes.InvalidArgument, "PROCEDURE_INVALID", strings.Replace(rinsing(2, "Rinsing"), "true", "maybe", 1), "source: line 8, column 46: steps[0].critical: want true or false", `(got "maybe")`)
	refused(codes.InvalidArgument, "PROCEDURE_INVALID", rinsing(2, "Rinsing")+parted+rinsing(2, "Rinsing"), "line 10, column 11: revision")

	dry, err := c.PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: rinsing(2, "Rinsing, better"), ProcedureId: "rinsing", ValidateOnly: true})
	if err != nil || dry.GetProcedures()[0].GetProcedure().GetRevision() != 2 || r.queryInt(`select count(*) from history.procedures`) != 1 {
		t.Errorf("validate_only: %v, %v", dry, err)
	}
	both := publish(t, c, orgA, rinsing(2, "Rinsing, better")+parted+"# The fifth.\n"+rinsing(5, "Rinsing, best"))
	if len(both) != 2 || both[1].GetProcedure().GetRevision() != 5 {
		t.Fatalf("published %v", both)
	}
	refused(codes.InvalidArgument, "PROCEDURE_INVALID", rinsing(4, "Rinsing"), "source: line 1, column 1: revision", "state 6, or higher")

	for revision, want := range map[int32]string{0: "# The fifth.\n" + rinsing(5, "Rinsing, best"), 1: "# Ours.\n" + rinsing(1, "Rinsing"), 2: rinsing(2, "Rinsing, better")} {
		got, err := c.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgA + "/procedures/rinsing", Revision: revision})
		if err != nil || got.GetSource() != want || revision != 0 && got.GetProcedure().GetProcedure().GetRevision() != revision {
			t.Errorf("revision %d: %v, %v", revision, got, err)
		}
	}
	_, err = c.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgA + "/procedures/rinsing", Revision: 3})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgA + "/procedures/atlantis"})
	if st := wantError(t, err, codes.NotFound, "NOT_FOUND"); !strings.Contains(st.Message(), ids[0]) || !strings.Contains(st.Message(), "rinsing") {
		t.Errorf("it does not tell which there are: %s", st.Message())
	}
	_, err = r.proceduresAs(orgA, auth.RoleTechnician).PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: rinsing(6, "x"), ProcedureId: "rinsing"})
	wantError(t, err, codes.PermissionDenied, "PERMISSION_MISSING")
}

// TestPublishProblems: the server tells of each bad file just what the check without a server tells.
func TestPublishProblems(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.proceduresAs(orgA, auth.RoleChainManager)
	const dir = "../../../cmd/strandline/testdata/procedures/bad"
	files, err := os.ReadDir(dir)
	if err != nil || len(files) < 10 {
		t.Fatal(len(files), err)
	}
	for _, f := range files {
		raw, err := os.ReadFile(dir + "/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		source := strings.ToValidUTF8(strings.ReplaceAll(string(raw), "\x00", "?"), "?")
		if source == "" {
			continue
		}
		_, problems := procedure.ReadAs("bad", []byte(source))
		if len(problems) == 0 {
			continue // bad by what the file is called
		}
		_, err = c.PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: source, ProcedureId: "bad"})
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", f.Name(), err)
			continue
		}
		for _, d := range status.Convert(err).Details() {
			b, ok := d.(*errdetails.BadRequest)
			for i, v := range b.GetFieldViolations() {
				if at := fmt.Sprintf("line %d, column %d: ", problems[i].Line, problems[i].Column); v.GetField() != "source" || !strings.HasPrefix(v.GetDescription(), at) || v.GetReason() != "PROCEDURE_INVALID" {
					t.Errorf("%s: %v, want it at %s", f.Name(), v, at)
				}
			}
			if ok && len(b.GetFieldViolations()) == 0 {
				t.Errorf("%s: no violation", f.Name())
			}
		}
	}
	if n := r.queryInt(`select count(*) from history.procedures`); n != 0 {
		t.Errorf("bad files left %d rows", n)
	}
}

// TestProceduresOfOrgs: an org sees the shipped procedures and its own, page by page, and nothing of another's, whose ids it may use.
func TestProceduresOfOrgs(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a, b := r.proceduresAs(orgA, auth.RoleChainManager), r.proceduresAs(orgB, auth.RoleChainManager)
	publish(t, a, orgA, rinsing(1, "A's")+"---\n"+rinsing(2, "A's second")+"---\nname: procedures/a-first\n"+rinsing(1, "First"))
	ids, err := procedure.Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	list := func(c historypb.ProcedureServiceClient, org string, size int32) (out []string) {
		t.Helper()
		for token := ""; ; {
			resp, err := c.ListProcedures(t.Context(), &historypb.ListProceduresRequest{Parent: "orgs/" + org, PageSize: size, PageToken: token})
			if err != nil || len(resp.GetProcedures()) == 0 || len(resp.GetProcedures()) > int(size) {
				t.Fatalf("a page of %d: %v", len(resp.GetProcedures()), err)
			}
			for _, p := range resp.GetProcedures() {
				id := strings.TrimPrefix(p.GetProcedure().GetName(), "orgs/"+org+"/procedures/")
				if p.GetShipped() != slices.Contains(ids, id) || id == "rinsing" && p.GetProcedure().GetRevision() != 2 {
					t.Errorf("listed %s, shipped %v, revision %d", id, p.GetShipped(), p.GetProcedure().GetRevision())
				}
				out = append(out, id)
			}
			if token = resp.GetNextPageToken(); token == "" {
				return out
			}
		}
	}
	want := slices.Sorted(slices.Values(append([]string{"a-first", "rinsing"}, ids...)))
	for _, size := range []int32{1, 2, 3, 1000} {
		if got := list(a, orgA, size); !slices.Equal(got, want) {
			t.Errorf("pages of %d: %q, want %q", size, got, want)
		}
		if got := list(b, orgB, size); !slices.Equal(got, ids) {
			t.Errorf("the other org in pages of %d: %q", size, got)
		}
	}
	for _, revision := range []int32{0, 1} { // A's is in the cache by now
		_, err := b.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgB + "/procedures/rinsing", Revision: revision})
		if st := wantError(t, err, codes.NotFound, "NOT_FOUND"); strings.Contains(st.Message(), "a-first") {
			t.Errorf("it tells of another org's: %s", st.Message())
		}
	}
	_, err = b.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgA + "/procedures/rinsing"})
	wantError(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	publish(t, b, orgB, rinsing(1, "B's"))
	got, err := b.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgB + "/procedures/rinsing", Revision: 1})
	if err != nil || got.GetProcedure().GetProcedure().GetTitle() != "B's" {
		t.Errorf("%v, %v", got, err)
	}
	_, err = a.ListProcedures(t.Context(), &historypb.ListProceduresRequest{Parent: "orgs/" + orgA, PageToken: "x"})
	wantError(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
}

// TestPublishAtOnce: of those who publish one revision with different contents at once, one does, and the others are told.
func TestPublishAtOnce(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.proceduresAs(orgA, auth.RoleChainManager)
	const n = 8
	errors := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			_, errors[i] = c.PublishProcedures(t.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: rinsing(1, fmt.Sprint("Number ", i)), ProcedureId: "rinsing"})
		})
	}
	wg.Wait()
	done := 0
	for i, err := range errors {
		if err == nil {
			done++
			got, err := c.GetProcedure(t.Context(), &historypb.GetProcedureRequest{Name: "orgs/" + orgA + "/procedures/rinsing"})
			if err != nil || got.GetProcedure().GetProcedure().GetTitle() != fmt.Sprint("Number ", i) {
				t.Errorf("%v, %v", got, err)
			}
			continue
		}
		wantError(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	}
	if done != 1 {
		t.Errorf("%d published it", done)
	}
}
