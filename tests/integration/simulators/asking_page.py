"""A page that asks one question and says what it is told to, in the form of the interface."""

from supervisor.api.place_view import PlaceView

PALLET = "grai:0614141.00001.1"
STATION = "scan-1"


class AskingPage:
    """Says which holds stand, where the pallet is and which rack places are kept; notes what is answered."""

    def __init__(self, code):
        self.holds = [{"hold": "1", "code": code, "subject": PALLET, "seen": "so it is"}]
        self.place = ""
        self.kept = {}
        self.racks = ()
        self.answers = []
        self.handler = {"link": "up", "phase": "idle", "inside": "", "jaws": []}

    def get(self, path):
        if path.endswith("/holds"):
            return self.holds
        if path.endswith("/places"):
            return [self._rack(name) for name in self.racks]
        if path.endswith("/cell"):
            return {"handler": self.handler}
        return {"place": self.place}

    def _rack(self, name):
        """A free rack place, in the form of the interface."""
        shown = PlaceView.model_config["json_schema_extra"]["examples"][0]
        free = {
            "place": name,
            "pallet": "",
            "presence": "empty",
            "reserved": self.kept.get(name, ""),
        }
        return PlaceView.model_validate(shown | free).model_dump()

    def post(self, path, body):
        self.answers.append((path.split("/")[-2], body["answer"]))
        self.holds = []
