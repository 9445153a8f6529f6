// Package compliancerpc speaks ComplianceService, AvailabilityService, RecallService and CertificateService, and follows the feeds of registry and history.
// For certificates it asks the two what was done.
//
// It parses names, turns messages into the values of the packages compliance and due and back, and calls the store. What is
// due and what may be handed out is decided in due; what is stored, in compliancepg.
package compliancerpc
