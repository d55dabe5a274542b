"""The loop: descends, goes on after a kill as if there was none, stops at a non-finite loss."""

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import torch

from fiberward.model.errors import ModelError, TrainingError
from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training import checkpoint, loop
from fiberward.training.loop import Processes, Trainer, learning_rate, train

from .fake import fake_source, tiny_config

HERE = Path(__file__).parent


def ema_of(run: Path) -> dict[str, torch.Tensor]:
    """What a run has learnt."""
    return checkpoint.load_ema(run)[0].state_dict()


def stop_after(monkeypatch: pytest.MonkeyPatch, step: int) -> None:
    """End the call at the first check at or after `step`, as a deadline would."""

    def code(trainer: Trainer, deadline: object) -> int:
        return loop.STOP if trainer.state.step >= step else loop.GO_ON

    monkeypatch.setattr(loop, "check", code)


def save_at(monkeypatch: pytest.MonkeyPatch, step: int) -> None:
    """Save at the check of `step`."""
    real = loop.check

    def code(trainer: Trainer, deadline: loop.Deadline) -> int:
        real(trainer, deadline)
        return loop.SAVE if trainer.state.step == step else loop.GO_ON

    monkeypatch.setattr(loop, "check", code)


@pytest.mark.parametrize("kernel_rate", [0.0, 0.02])
def test_a_run_that_was_stopped_ends_bit_for_bit_like_one_that_was_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kernel_rate: float
) -> None:
    config = replace(tiny_config(), kernel_rate=kernel_rate)
    with monkeypatch.context() as patch:
        save_at(patch, 6)
        train(config, fake_source, tmp_path / "whole", None)
    with monkeypatch.context() as patch:
        stop_after(patch, 6)
        assert train(config, fake_source, tmp_path / "halves", None) == 6
    assert train(config, fake_source, tmp_path / "halves", None) == 12
    whole, halves = ema_of(tmp_path / "whole"), ema_of(tmp_path / "halves")
    assert all(torch.equal(whole[k], halves[k]) for k in whole)
    rows = [
        json.loads(line) for line in (tmp_path / "halves" / "log.jsonl").read_text().splitlines()
    ]
    assert [row["step"] for row in rows if "total" in row] == [2, 4, 6, 8, 10, 12]


@pytest.mark.parametrize("kernel_rate", [0.0, 0.02])
def test_the_loss_falls(tmp_path: Path, kernel_rate: float) -> None:
    config = replace(tiny_config(steps=40), kernel_rate=kernel_rate)
    train(config, fake_source, tmp_path, None)
    rows = [json.loads(line) for line in (tmp_path / "log.jsonl").read_text().splitlines()]
    totals = [row["total"] for row in rows if "total" in row]
    assert sum(totals[-3:]) < 0.9 * sum(totals[:3])


def test_a_time_limit_saves_and_ends(tmp_path: Path) -> None:
    assert train(tiny_config(steps=10_000), fake_source, tmp_path, 0.0) == 2
    head = checkpoint.newest(tmp_path)
    assert head is not None
    assert head["step"] == 2


def test_a_non_finite_loss_stops_and_leaves_the_last_checkpoint(tmp_path: Path) -> None:
    config = tiny_config()
    train(replace(config), fake_source, tmp_path, 0.0)
    before = ema_of(tmp_path)

    def poisoned(plan: RenderPlan, seed: int) -> Renders:
        made = fake_source(plan, seed)
        made.unseen.fill_(float("nan"))
        return made

    with pytest.raises(TrainingError, match="not finite"):
        train(config, poisoned, tmp_path, None)
    after = ema_of(tmp_path)
    assert all(torch.equal(before[k], after[k]) for k in before)


def test_a_run_of_other_settings_is_not_gone_on_with(tmp_path: Path) -> None:
    train(tiny_config(), fake_source, tmp_path, 0.0)
    with pytest.raises(ModelError, match="learning_rate"):
        train(tiny_config(learning_rate=1e-4), fake_source, tmp_path, None)


def test_a_kill_while_writing_leaves_the_checkpoint_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = tiny_config()
    train(config, fake_source, tmp_path, 0.0)
    real, written = torch.save, []

    def dies_at_the_third(value: object, path: Path) -> None:
        written.append(path)
        if len(written) == 3:
            raise KeyboardInterrupt
        real(value, path)

    monkeypatch.setattr(torch, "save", dies_at_the_third)
    with pytest.raises(KeyboardInterrupt):
        train(config, fake_source, tmp_path, None)
    monkeypatch.undo()
    head = checkpoint.newest(tmp_path)
    assert head is not None
    assert head["step"] == 2
    assert train(config, fake_source, tmp_path, None) == 12
    assert [p.name for p in tmp_path.glob("writing-*")] == []


def test_a_damaged_checkpoint_is_named(tmp_path: Path) -> None:
    train(tiny_config(), fake_source, tmp_path, 0.0)
    (path,) = tmp_path.glob("step-*/weights.pt")
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(ModelError, match=r"weights\.pt"):
        train(tiny_config(), fake_source, tmp_path, None)


def test_the_rate_warms_up_and_falls_to_zero_once_over_the_whole_run() -> None:
    config = tiny_config(steps=100, warmup_steps=10, learning_rate=1.0)
    rates = [learning_rate(config, step) for step in range(101)]
    assert rates[0] == pytest.approx(0.1)
    assert rates[10] == pytest.approx(1.0)
    assert rates[55] == pytest.approx(0.5)
    assert rates[100] == pytest.approx(0.0)
    assert all(a >= b for a, b in zip(rates[10:], rates[11:], strict=False))


def test_the_average_follows_the_net_with_the_stated_share() -> None:
    trainer = Trainer(
        tiny_config(ema_decay=0.75), fake_source, Processes(0, 1, torch.device("cpu"))
    )
    trainer.state.step = 10_000
    name = "surface_head.weight"
    trainer.state.ema[name].fill_(1.0)
    with torch.no_grad():
        trainer.state.net.surface_head.weight.fill_(3.0)
    trainer.average()
    assert trainer.state.ema[name].allclose(torch.tensor(1.5))


def test_two_processes_train_one_net_and_both_stop_at_the_limit(tmp_path: Path) -> None:
    """torchrun on this machine, gloo: each sees its own pictures, the saved net is one."""
    script = tmp_path / "two.py"
    script.write_text(
        "import sys\nfrom pathlib import Path\n"
        f"sys.path.insert(0, {str(HERE)!r})\n"
        "import torch\ntorch.set_num_threads(1)\n"
        "from fake import fake_source, tiny_config\n"
        "from fiberward.training.loop import train\n"
        f"train(tiny_config(steps=100000), fake_source, Path({str(tmp_path / 'run')!r}), 0.03)\n"
    )
    command = [sys.executable, "-m", "torch.distributed.run", "--nproc_per_node", "2"]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
    command += ["--master_port", "29631", str(script)]
    done = subprocess.run(
        command,
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    head = checkpoint.newest(tmp_path / "run")
    assert head is not None
    assert head["about"]["processes"] == 2
    assert 2 <= head["step"] < 100000


def test_a_call_that_finishes_the_run_brings_the_rate_down_by_the_clock() -> None:
    config = tiny_config(steps=10_000, warmup_steps=10, learning_rate=1.0)
    assert learning_rate(config, 20, elapsed=0.5) == pytest.approx(0.5)
    assert learning_rate(config, 20, elapsed=1.0) == pytest.approx(0.0)
    assert learning_rate(config, 5, elapsed=0.5) == pytest.approx(0.6)  # warm-up goes by steps


def rates(run: Path) -> list[float]:
    """The learning rates of the log, in order."""
    rows = [json.loads(line) for line in (run / "log.jsonl").read_text().splitlines()]
    return [row["rate"] for row in rows if "rate" in row]


@pytest.mark.parametrize(("finish", "share"), [(True, 0.0245), (False, 1.0)])
def test_only_in_a_call_that_is_to_finish_the_rate_falls_by_the_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, finish: bool, share: float
) -> None:
    """Nine tenths of the time gone: (1 + cos(0.9 pi)) / 2 of the peak."""
    codes = iter([loop.GO_ON, loop.GO_ON, loop.STOP])
    monkeypatch.setattr(loop.Deadline, "code", lambda _self: next(codes))
    monkeypatch.setattr(loop.Deadline, "elapsed", lambda _self: 0.9)
    config = tiny_config(steps=100_000)
    train(config, fake_source, tmp_path, 60.0, finish)
    found = rates(tmp_path)
    assert len(found) == 3
    assert found[-1] == pytest.approx(share * config.learning_rate, rel=0.01)


def test_to_finish_needs_to_know_when(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        loop.main(["--config", "c.toml", "--run", "r", "--finish"])
    assert "needs --minutes" in capsys.readouterr().err


def test_after_the_call_signals_mean_again_what_they_meant_before(tmp_path: Path) -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    train(tiny_config(), fake_source, tmp_path, None)
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_parts_that_are_held_still_keep_weights_and_statistics(tmp_path: Path) -> None:
    config = tiny_config(only=("local", "local_head"))
    before = Trainer(config, fake_source, Processes(0, 1, torch.device("cpu"))).state.net
    train(config, fake_source, tmp_path, None)
    start = {k: checkpoint.halved(v) for k, v in before.state_dict().items()}
    after = ema_of(tmp_path)
    still = [k for k in start if not k.startswith("local") and "num_batches" not in k]
    assert all(torch.equal(start[k].float(), after[k].float()) for k in still)
    assert not torch.equal(start["local_head.weight"].float(), after["local_head.weight"].float())


def test_a_run_can_begin_with_the_net_of_another(tmp_path: Path) -> None:
    train(tiny_config(), fake_source, tmp_path / "first", None)
    first = ema_of(tmp_path / "first")
    second = Trainer(tiny_config(seed=9), fake_source, Processes(0, 1, torch.device("cpu"))).state
    checkpoint.start_from(tmp_path / "first", second)
    assert all(torch.equal(first[k], v) for k, v in second.net.state_dict().items())
    assert all(torch.equal(first[k], second.ema[k]) for k in first)
    (weights,) = (tmp_path / "first").glob("step-*/ema.pt")
    third = Trainer(tiny_config(seed=8), fake_source, Processes(0, 1, torch.device("cpu"))).state
    checkpoint.start_from(weights, third)
    assert all(torch.equal(first[k], v) for k, v in third.net.state_dict().items())


def test_a_pool_of_renders_is_used_in_turn() -> None:
    made: list[int] = []

    def counted(plan: RenderPlan, seed: int) -> Renders:
        made.append(seed)
        return fake_source(plan, seed)

    trainer = Trainer(tiny_config(pool=2), counted, Processes(0, 1, torch.device("cpu")))
    groups = [trainer.make_batches(k) for k in range(5)]
    assert len(made) == 2
    assert torch.equal(groups[4][0].picture, groups[0][0].picture)
    assert not torch.equal(groups[1][0].picture, groups[0][0].picture)


def test_a_step_on_two_batches_descends_on_the_mean_of_their_losses() -> None:
    """The gradient of a mean is the mean of the gradients."""
    config = tiny_config(bf16=False, clip=1e9)
    gradients: list[torch.Tensor] = []
    for chosen in ((0,), (1,), (0, 1)):
        trainer = Trainer(config, fake_source, Processes(0, 1, torch.device("cpu")))
        batches = [trainer.make_batches(group)[0] for group in chosen]
        for part in trainer.state.net.modules():
            if isinstance(part, torch.nn.BatchNorm2d):
                part.eval()
        trainer.step(*batches)
        weight = trainer.state.net.get_parameter("surface_head.weight")
        assert weight.grad is not None
        gradients.append(weight.grad.clone())
    torch.testing.assert_close(gradients[2], (gradients[0] + gradients[1]) / 2)
