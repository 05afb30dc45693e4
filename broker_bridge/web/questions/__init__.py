"""What can be asked of many boards: parameters as models, each of which brings its answer. Programs and pages ask the same."""

from broker_bridge.web.questions.conditions import Question, asked
from broker_bridge.web.questions.flow import FLOW
from broker_bridge.web.questions.quality import QUALITY

__all__ = ["FLOW", "QUALITY", "Question", "asked"]
