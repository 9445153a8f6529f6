package main

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// clients are the services' public APIs, called as one role in one org.
type clients struct {
	Registry     registrypb.RegistryServiceClient
	History      historypb.HistoryServiceClient
	Procedures   historypb.ProcedureServiceClient
	Orders       historypb.OrderServiceClient
	Lots         historypb.LotServiceClient
	Compliance   compliancepb.ComplianceServiceClient
	Availability compliancepb.AvailabilityServiceClient
	Recalls      compliancepb.RecallServiceClient
	Certificates compliancepb.CertificateServiceClient

	Org tenant.Org // zero for the operator

	backend *backend
}

// connect returns clients that act in the org and role of the settings. It finds the server as --server says, or the local
// one, or starts everything in this process; that is stopped when the run ends.
func (a *app) connect(ctx context.Context) (*clients, error) {
	b, err := a.open(ctx)
	if err != nil {
		return nil, err
	}
	org, err := a.org(ctx, b)
	if err != nil {
		return nil, err
	}
	c, err := a.as(b, a.set.Role, org)
	if err != nil || a.set.Org == "" {
		return c, err
	}
	if a.alone {
		// Whoever prints the paper list, or asks the gate, has to be answered while the registry is down.
		ctx, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		if err := c.known(ctx); err != nil && explain(err).code != exitUnavailable {
			return nil, err
		}
		return c, nil
	}
	return c, c.known(ctx)
}

// known fails if the org does not exist. A misspelt org has nothing due and nothing held, which must not pass for an answer. Roles
// that may not read the org are not told.
func (c *clients) known(ctx context.Context) error {
	_, err := c.Registry.GetOrg(ctx, &registrypb.GetOrgRequest{Name: c.Org.Name()})
	switch status.Code(err) {
	case codes.NotFound:
		return errs.New(errs.NotFound, "NOT_FOUND", "there is no org "+c.Org.ID+"; 'strandline org list' says which there are", "org", c.Org.ID)
	case codes.PermissionDenied:
		return nil
	}
	return err
}

// connectOperator returns clients that may create and list orgs.
func (a *app) connectOperator(ctx context.Context) (*clients, error) {
	b, err := a.open(ctx)
	if err != nil {
		return nil, err
	}
	return a.as(b, auth.RoleOperator, tenant.Org{})
}

// connectAs returns clients that act in a role and an org other than the settings say. It needs the key file.
func (a *app) connectAs(ctx context.Context, role, orgID string) (*clients, error) {
	b, err := a.open(ctx)
	if err != nil {
		return nil, err
	}
	org, ok := tenant.New(orgID)
	if !ok {
		return nil, usagef("%q is not an org id: 1 to 40 lower-case letters, digits and hyphens", orgID)
	}
	return a.as(b, role, org)
}

// as returns clients with a token for the role and org: the one given, or one made with the key.
func (a *app) as(b *backend, role string, org tenant.Org) (*clients, error) {
	token := a.set.Token
	if token == "" {
		if b.key == nil {
			return nil, errs.New(errs.Unauthenticated, "TOKEN_MISSING", "there is neither a token nor a key file to make one with (looked for "+a.keyFile()+")")
		}
		now := a.clk.Now()
		var err error
		// The token has to outlive the longest import, and no longer.
		token, err = b.key.Mint(auth.Claims{Subject: a.subject(), Role: role, Org: org.ID, Issued: now, Expires: now.Add(12 * time.Hour)})
		if err != nil {
			return nil, err
		}
	}
	conn := &credentialed{ClientConnInterface: b.conn, creds: rpc.BearerToken(token)}
	return &clients{
		Registry:     registrypb.NewRegistryServiceClient(conn),
		History:      historypb.NewHistoryServiceClient(conn),
		Procedures:   historypb.NewProcedureServiceClient(conn),
		Orders:       historypb.NewOrderServiceClient(conn),
		Lots:         historypb.NewLotServiceClient(conn),
		Compliance:   compliancepb.NewComplianceServiceClient(conn),
		Availability: compliancepb.NewAvailabilityServiceClient(conn),
		Recalls:      compliancepb.NewRecallServiceClient(conn),
		Certificates: compliancepb.NewCertificateServiceClient(conn),
		Org:          org,
		backend:      b,
	}, nil
}

// org returns the org of the run: the setting, or the token's, or the only one there is.
func (a *app) org(ctx context.Context, b *backend) (tenant.Org, error) {
	if id := strings.TrimPrefix(a.set.Org, "orgs/"); id != "" {
		org, ok := tenant.New(id)
		if !ok {
			return tenant.Org{}, usagef("%q is not an org id: 1 to 40 lower-case letters, digits and hyphens", id)
		}
		return org, nil
	}
	if a.set.Token != "" {
		if org, ok := tenant.New(orgOfToken(a.set.Token)); ok {
			return org, nil
		}
		return tenant.Org{}, usagef("the token names no org: pass --org")
	}
	op, err := a.as(b, auth.RoleOperator, tenant.Org{})
	if err != nil {
		return tenant.Org{}, err
	}
	r, err := op.Registry.ListOrgs(ctx, &registrypb.ListOrgsRequest{PageSize: 10})
	if err != nil {
		return tenant.Org{}, err
	}
	var ids []string
	for _, o := range r.GetOrgs() {
		ids = append(ids, strings.TrimPrefix(o.GetName(), "orgs/"))
	}
	slices.Sort(ids)
	switch {
	case len(ids) == 0:
		return tenant.Org{}, &usageError{msg: "there is no org yet: create one with 'strandline org create ID --name NAME'", quiet: true}
	case len(ids) == 1:
		org, _ := tenant.New(ids[0])
		return org, nil
	}
	more := ""
	if r.GetNextPageToken() != "" {
		more = " and more"
	}
	return tenant.Org{}, &usageError{msg: fmt.Sprintf("which org? Pass --org (or STRANDLINE_ORG, or org in the configuration file) with one of: %s%s", strings.Join(ids, ", "), more), quiet: true}
}

// orgOfToken reads the org a token claims. The server is who checks the signature.
func orgOfToken(token string) string {
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return ""
	}
	body, err := base64.RawURLEncoding.DecodeString(parts[1])
	if err != nil {
		return ""
	}
	var claims struct {
		Org string `json:"org"`
	}
	if json.Unmarshal(body, &claims) != nil {
		return ""
	}
	return claims.Org
}

// subject is who acts, for the ledger: the person at this terminal.
func (a *app) subject() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return "cli:" + u.Username
	}
	return "cli"
}

func (a *app) keyFile() string {
	if a.set.KeyFile != "" {
		return a.set.KeyFile
	}
	return filepath.Join(a.set.Data, "key.pem")
}

// loadKey reads the key file if there is one.
func (a *app) loadKey() (*auth.Key, error) {
	if _, err := os.Stat(a.keyFile()); err != nil {
		if os.IsNotExist(err) && a.set.KeyFile == "" {
			return nil, nil
		}
		return nil, usagef("key file: %v", err)
	}
	return auth.LoadOrCreateKey(a.keyFile())
}

// atLeast returns the position a read has to reach, so that a command sees what the one before it wrote; nil when nothing
// is known.
func (c *clients) atLeast(ctx context.Context) (*typepb.Position, error) {
	if c.backend.heads == nil {
		return nil, nil
	}
	return c.backend.heads(ctx, c.Org)
}

// wrote remembers the position of a write, for the reads of later commands.
func (c *clients) wrote(p *typepb.Position) {
	if c.backend.remember != nil {
		c.backend.remember(c.Org, p)
	}
}

// credentialed is a connection whose calls carry a token; several identities share one connection.
type credentialed struct {
	grpc.ClientConnInterface
	creds credentials.PerRPCCredentials
}

func (c *credentialed) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return c.ClientConnInterface.Invoke(ctx, method, args, reply, append(opts, grpc.PerRPCCredentials(c.creds))...)
}

func (c *credentialed) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return c.ClientConnInterface.NewStream(ctx, desc, method, append(opts, grpc.PerRPCCredentials(c.creds))...)
}
