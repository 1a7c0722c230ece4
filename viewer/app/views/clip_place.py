"""Where a clip belongs: device, scene, take, and what it shows; to set right what was guessed wrongly."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QComboBox, QFormLayout, QWidget

from viewer.app.i18n import tr
from viewer.app.model.coverage import ROLE_NAMES
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import number_box
from viewer.session.model import Clip, Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class ClipPlaceDialog(Dialog):
    """Device, scene, take, role of one clip."""

    manual_page = "clips"

    def __init__(self, window: MainWindow, clip: Clip) -> None:
        super().__init__(window, tr("Place of {name}", name=clip.name), size=(440, 300))
        self.clip = clip
        session = window.document.session
        self.device, self.scene, self.role = QComboBox(), QComboBox(), QComboBox()
        self.device.addItem(tr("No device"), "")
        for device in session.devices:
            self.device.addItem(device.name, device.id)
        for scene in session.scenes:
            self.scene.addItem(scene.name, scene.id)
        for key, name in ROLE_NAMES.items():
            self.role.addItem(tr(name), key)
        self.device.setCurrentIndex(max(0, self.device.findData(clip.device or "")))
        self.scene.setCurrentIndex(max(0, self.scene.findData(clip.scene)))
        self.role.setCurrentIndex(max(0, self.role.findData(clip.role)))
        self.take = number_box(1, 99, clip.take, tr("Take"))
        form = QFormLayout()
        form.setSpacing(8)
        for words, field in (
            (tr("Device"), self.device),
            (tr("Scene"), self.scene),
            (tr("Take"), self.take),
            (tr("Shows"), self.role),
        ):
            field.setAccessibleName(words)
            form.addRow(words, field)
        body = QWidget()
        body.setLayout(form)
        self.fill(body, quiet(tr("In another scene the clip has to be lined up anew.")), None)
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Keep"), self.keep, main=True).setDefault(True)

    def keep(self) -> None:
        """Write the place into the session."""
        document = self.window_.document
        changed = placed(
            document.session,
            self.clip.id,
            scene=str(self.scene.currentData()),
            device=str(self.device.currentData()) or None,
            take=self.take.value(),
            role=self.role.currentData(),
        )
        document.edit(changed, tr("Place {name}", name=self.clip.name))
        self.accept()


def placed(session: Session, clip_id: str, *, scene: str, device: str | None, take: int, role: str) -> Session:
    """Return the session with a clip elsewhere; in another scene its clock and pose no longer hold."""
    clip = session.clip(clip_id)
    if clip.scene != scene:
        old = session.scene(clip.scene)
        if old.reference_clip == clip_id:
            session = session.put(replace(old, reference_clip=None))
        clip = replace(clip, clock=None, pose=None)
        requests = {request.id for request in session.requests if request.scene == old.id}
        kept = tuple(r for r in session.readings if not (r.clip == clip_id and r.request in requests))
        session = replace(session, readings=kept)
    return session.put(replace(clip, scene=scene, device=device, take=take, role=role))  # type: ignore[arg-type]


__all__ = ["ClipPlaceDialog", "placed"]
