package config

import _ "embed"

// Cell is the commented example that explains every option.
//
//go:embed cell.toml
var Cell []byte

// Demo is the configuration of the bundled demonstration: an invented cell whose
// machines and broker are simulated on this computer.
//
//go:embed demo.toml
var Demo []byte

// Unit is the shipped systemd unit, with the paths of config/cell.toml.
//
//go:embed deploy/offsetbridge.service
var Unit []byte
