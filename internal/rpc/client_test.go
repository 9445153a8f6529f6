package rpc_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	protofiles "strandline.example/strandline/proto"
	_ "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// TestServiceConfigRepeatsReadsOnly: AIP-194 says that UNAVAILABLE may be repeated, and of which methods: those without effect.
func TestServiceConfigRepeatsReadsOnly(t *testing.T) {
	var config struct {
		MethodConfig []struct {
			Name        []struct{ Service, Method string }
			RetryPolicy struct {
				MaxAttempts          int
				RetryableStatusCodes []string
			}
		}
	}
	if err := json.Unmarshal([]byte(protofiles.ServiceConfig), &config); err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, m := range config.MethodConfig {
		if !slices.Equal(m.RetryPolicy.RetryableStatusCodes, []string{"UNAVAILABLE"}) || m.RetryPolicy.MaxAttempts < 2 {
			t.Errorf("policy %+v", m.RetryPolicy)
		}
		for _, n := range m.Name {
			have = append(have, n.Service+"/"+n.Method)
		}
	}
	read := regexp.MustCompile(`^(Get|BatchGet|List|Read|Search|Summarize|Verify|Evaluate|Judge|Preview)`)
	var want []string
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				m := s.Methods().Get(j)
				if f.Package().Parent().Parent() == "strandline" && read.MatchString(string(m.Name())) && !m.IsStreamingClient() && !m.IsStreamingServer() {
					want = append(want, string(s.FullName())+"/"+string(m.Name()))
				}
			}
		}
		return true
	})
	slices.Sort(have)
	slices.Sort(want)
	if !slices.Equal(have, want) {
		t.Errorf("proto/service_config.json names\n%v\nwant every read and nothing else:\n%v", have, want)
	}
}

func TestReadsAreRepeatedWritesAreNot(t *testing.T) {
	r := newRig(t)
	reads, writes := 0, 0
	r.registry.getOrg = func(context.Context, *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		if reads++; reads < 3 {
			return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "not now")
		}
		return &registrypb.GetOrgResponse{}, nil
	}
	r.registry.update = func(context.Context, *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
		writes++
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "not now")
	}
	client := registrypb.NewRegistryServiceClient(r.conn(t, "technician", "reef"))
	if _, err := client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil || reads != 3 {
		t.Errorf("%d reads, %v", reads, err)
	}
	_, err := client.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: &registrypb.Unit{
		Name: unitName, AssetTag: "A1", Model: "orgs/reef/models/m", Shop: "orgs/reef/shops/north", CommissionDate: date(2026, 1, 1),
	}})
	wantStatus(t, err, codes.Unavailable, "UNAVAILABLE")
	if writes != 1 {
		t.Errorf("%d writes", writes)
	}
}

// certificate writes a certificate and its key, signed by parent (itself without one).
func certificate(t *testing.T, dir, name string, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<60))
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	if parent == nil {
		template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
		parent, parentKey = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, parentKey)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{name + ".crt": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "PRIVATE KEY", Bytes: keyDER}} {
		if err := os.WriteFile(filepath.Join(dir, file), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

func TestMutualTLS(t *testing.T) {
	dir := t.TempDir()
	ca, caKey := certificate(t, dir, "ca", nil, nil)
	certificate(t, dir, "server", ca, caKey)
	certificate(t, dir, "client", ca, caKey)
	other, otherKey := certificate(t, dir, "other-ca", nil, nil)
	certificate(t, dir, "stranger", other, otherKey)
	file := func(name string) string { return filepath.Join(dir, name) }

	serverTLS, err := rpc.LoadServerTLS(file("server.crt"), file("server.key"), file("ca.crt"))
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, func(c *rpc.ServerConfig) { c.TLS = serverTLS })
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- r.server.Serve(lis) }()
	t.Cleanup(func() {
		if err := <-served; err != nil { // after the rig's own cleanup would be too late: drain first
			t.Error(err)
		}
	})
	t.Cleanup(func() { _ = r.server.Drain(context.WithoutCancel(t.Context())) })

	call := func(opts ...grpc.DialOption) error {
		conn, err := rpc.Dial(lis.Addr().String(), append(opts, grpc.WithPerRPCCredentials(rpc.BearerToken(r.mint(t, "auditor", "reef"))))...)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = conn.Close() }()
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		_, err = registrypb.NewRegistryServiceClient(conn).GetOrg(ctx, &registrypb.GetOrgRequest{Name: "orgs/reef"})
		return err
	}
	with := func(ca, cert, key string) grpc.DialOption {
		c, err := rpc.LoadClientTLS(ca, cert, key)
		if err != nil {
			t.Fatal(err)
		}
		return grpc.WithTransportCredentials(credentials.NewTLS(c))
	}
	if err := call(with(file("ca.crt"), file("client.crt"), file("client.key"))); err != nil {
		t.Errorf("with a certificate: %v", err)
	}
	for name, opts := range map[string][]grpc.DialOption{
		"without a certificate":         {with(file("ca.crt"), "", "")},
		"with a stranger's certificate": {with(file("ca.crt"), file("stranger.crt"), file("stranger.key"))},
		"trusting another authority":    {with(file("other-ca.crt"), file("client.crt"), file("client.key"))},
		"in plain text":                 nil,
		"trusting the system's roots":   {with("", file("client.crt"), file("client.key"))},
	} {
		if err := call(opts...); status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Inside the process it needs no certificate files.
	if _, err := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil {
		t.Errorf("in process: %v", err)
	}
	for _, files := range [][3]string{{"none.crt", "server.key", ""}, {"server.crt", "client.key", ""}, {"server.crt", "server.key", "none.crt"}, {"server.crt", "server.key", "server.key"}} {
		ca := files[2]
		if ca != "" {
			ca = file(ca)
		}
		if _, err := rpc.LoadServerTLS(file(files[0]), file(files[1]), ca); err == nil {
			t.Errorf("%v was accepted", files)
		}
	}
}

// Tokens do not cross a network in plain text unless someone says so.
func TestDialOfAnotherMachineIsTLS(t *testing.T) {
	for target, plain := range map[string]bool{
		"127.0.0.1:1": true, "localhost:1": true, "[::1]:1": true, "unix:/run/s": true, "dns:///localhost:1": true, "127.8.8.8:1": true,
		"strandline.example:443": false, "10.0.0.1:443": false, "localhost.example:443": false, "dns:///strandline.example:443": false, "": false,
	} {
		if got := rpc.Local(target); got != plain {
			t.Errorf("%q: plain text %v, want %v", target, got, plain)
		}
	}
}
