package rpc

import (
	"crypto/tls"
	"crypto/x509"
	"os"

	"strandline.example/strandline/internal/errs"
)

// LoadServerTLS reads a server's certificate and key (PEM). With a file of client CAs every client must present a certificate
// that one of them signed.
func LoadServerTLS(certFile, keyFile, clientCAFile string) (*tls.Config, error) {
	c, err := loadPair(certFile, keyFile)
	if err != nil || clientCAFile == "" {
		return c, err
	}
	if c.ClientCAs, err = loadPool(clientCAFile); err != nil {
		return nil, err
	}
	c.ClientAuth = tls.RequireAndVerifyClientCert
	return c, nil
}

// LoadClientTLS reads what a client needs: the CAs that may have signed the server's certificate (the system's without a file), and
// the client's own certificate and key where the server asks for one.
func LoadClientTLS(caFile, certFile, keyFile string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	var err error
	if certFile != "" {
		if c, err = loadPair(certFile, keyFile); err != nil {
			return nil, err
		}
	}
	if caFile != "" {
		if c.RootCAs, err = loadPool(caFile); err != nil {
			return nil, err
		}
	}
	return c, nil
}

func loadPair(certFile, keyFile string) (*tls.Config, error) {
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, errs.New(errs.Invalid, "INVALID_FIELD", "the TLS certificate "+certFile+" and key "+keyFile+" cannot be used",
			"certificate", certFile, "key", keyFile).Because(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}, nil
}

func loadPool(file string) (*x509.CertPool, error) {
	text, err := os.ReadFile(file)
	pool := x509.NewCertPool()
	if err != nil || !pool.AppendCertsFromPEM(text) {
		return nil, errs.New(errs.Invalid, "INVALID_FIELD", "the file of CAs "+file+" cannot be used", "file", file).Because(err)
	}
	return pool, nil
}
