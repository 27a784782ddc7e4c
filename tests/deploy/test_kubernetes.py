"""The manifests, built by kustomize and judged by Kubernetes' own schemas."""

from __future__ import annotations

import subprocess
from typing import Any

import pytest
import yaml

from agent.settings import load
from tests.deploy.places import DEPLOY
from tests.needs import debian, missing

FOLDER = DEPLOY / "kubernetes"


@pytest.fixture(scope="module")
def built() -> list[dict[str, Any]]:
    kubectl = debian("kubernetes-client", "kubectl")
    done = subprocess.run([kubectl, "kustomize", str(FOLDER)], capture_output=True, text=True, timeout=180)
    assert done.returncode == 0, done.stderr
    return list(yaml.safe_load_all(done.stdout))


def of(built: list[dict[str, Any]], kind: str) -> dict[str, Any]:
    (found,) = [one for one in built if one["kind"] == kind]
    return found


def pod(built: list[dict[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = of(built, "StatefulSet")["spec"]["template"]["spec"]
    return found


def test_kubernetes_takes_every_part(built: list[dict[str, Any]]):
    """The OpenAPI schemas of Kubernetes, strict, as the package kubernetes-validate brings them along."""
    try:
        import kubernetes_validate
    except ImportError:
        missing("needs the Python package kubernetes-validate")
    for one in built:
        kubernetes_validate.validate(one, "1.31", strict=True)
    wrong = {**of(built, "Service"), "spek": {}}
    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(wrong, "1.31", strict=True)


def test_the_pod_is_as_restricted_as_its_namespace_demands(built: list[dict[str, Any]]):
    """Pod Security Standards of Kubernetes, profile Restricted, written down from memory."""
    assert of(built, "Namespace")["metadata"]["labels"]["pod-security.kubernetes.io/enforce"] == "restricted"
    spec = pod(built)
    assert spec["securityContext"]["runAsNonRoot"] is True
    assert spec["securityContext"]["runAsUser"] == 10001
    assert spec["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
    (container,) = spec["containers"]
    assert container["securityContext"] == {
        "allowPrivilegeEscalation": False,
        "readOnlyRootFilesystem": True,
        "capabilities": {"drop": ["ALL"]},
    }
    assert not any(word in spec for word in ("hostNetwork", "hostPID", "hostIPC"))
    assert spec["automountServiceAccountToken"] is False


def test_probes_service_and_policy_meet_at_the_agents_port(built: list[dict[str, Any]]):
    settings = load(FOLDER / "lowmark.yaml")
    (container,) = pod(built)["containers"]
    (port,) = container["ports"]
    assert port["containerPort"] == settings.listen.address.port
    paths = {name: container[name]["httpGet"]["path"] for name in ("startupProbe", "livenessProbe", "readinessProbe")}
    assert paths == {"startupProbe": "/healthz", "livenessProbe": "/healthz", "readinessProbe": "/readyz"}
    assert all(container[name]["httpGet"]["port"] == port["name"] for name in paths)
    assert of(built, "Service")["spec"]["ports"][0]["targetPort"] == port["name"]
    labels = of(built, "StatefulSet")["spec"]["template"]["metadata"]["labels"]
    policy = of(built, "NetworkPolicy")["spec"]
    assert policy["policyTypes"] == ["Ingress", "Egress"]
    assert policy["podSelector"]["matchLabels"] == of(built, "Service")["spec"]["selector"] == labels
    assert policy["ingress"][0]["ports"] == [{"protocol": "TCP", "port": port["name"]}]
    asked = {(one["protocol"], one["port"]) for rule in policy["egress"] for one in rule["ports"]}
    assert asked == {("UDP", 53), ("TCP", 53), ("UDP", 161), ("TCP", 587)}


def test_what_is_mounted_is_what_the_settings_refer_to(built: list[dict[str, Any]]):
    (container,) = pod(built)["containers"]
    mounts = {one["name"]: one["mountPath"] for one in container["volumeMounts"]}
    volumes = {one["name"]: one for one in pod(built)["volumes"]}
    settings = load(FOLDER / "lowmark.yaml")
    assert settings.store.url.startswith(f"sqlite:///{mounts['history']}/")
    community = settings.credentials["floor"].community
    assert community is not None
    assert community.source == f"file {mounts['secrets']}/community"
    map_name = volumes["settings"]["configMap"]["name"]
    assert map_name == of(built, "ConfigMap")["metadata"]["name"]
    assert map_name != "lowmark-settings", "its name changes with its content, so the agent starts anew"
    assert of(built, "ConfigMap")["data"].keys() == {"lowmark.yaml"}
    assert container["args"][:3] == ["run", "--settings", f"{mounts['settings']}/lowmark.yaml"]
    assert (mounts.keys() - volumes.keys()) == {"history"}
    assert "Secret" not in {one["kind"] for one in built}, "no secret is kept with the manifests"
